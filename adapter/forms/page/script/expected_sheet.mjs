// The rest of a page as expected, in one action: only after every line that it will say was listed, each of which
// can be struck out. What must not be missed comes without its tick, and is ticked line by line. What is recorded are
// ordinary findings, one for each line.
import { button, h, sheet } from "./dom.mjs";
import { app, commit } from "./state.mjs";
import { expectedOn, recordAnswers } from "./entry.mjs";
import { named, said } from "./said.mjs";

const together = (lines) => {
  const found = new Map();
  for (const line of lines) found.set(line.item.id, [...(found.get(line.item.id) ?? []), line]);
  return [...found.values()];
};

const lineOf = (lines, struck, count) => {
  const [{ item, answer }] = lines;
  const words = lines.length > 1 ? named(item, null, said("left_and_right")) : named(item, lines[0].side);
  const ticked = !struck.has(item.id);
  const box = h("input", { type: "checkbox", checked: ticked, onchange: () => {
    if (box.checked) struck.delete(item.id);
    else struck.add(item.id);
    count();
  } });
  box.checked = ticked;
  return h("li", {}, h("label.tick", {}, box, h("span.says", {}, h("span.item", {}, words), h("span.answer", {}, answer.label))));
};

/** List, let strike out, record. `done` follows when it was recorded. */
export const expectedSheet = (doc, page, done) => {
  const lines = expectedOn(doc, page.asked.map((item) => item.id), app.catalogue);
  const groups = together(lines);
  const struck = new Set(lines.map(({ item }) => item).filter((item) => item.still_to_do || item.one_by_one).map((item) => item.id));
  sheet(said("expected.title", { page: page.label }), (close) => {
    const kept = () => lines.filter((line) => !struck.has(line.item.id));
    const record = button("", () => {
      const chosen = kept();
      close();
      commit(doc, said("expected.step", { page: page.label, number: chosen.length }), () => recordAnswers(doc, chosen, app.catalogue), { items: page.asked.map((item) => item.id) });
      done();
    }, {}, "button.main.big");
    const count = () => {
      record.textContent = said("expected.record", { count: kept().length });
      record.disabled = kept().length === 0;
    };
    count();
    return h("div", {},
      h("p.hint", {}, said("expected.hint")),
      struck.size ? h("p.hint", {}, said("expected.hint_ticks")) : null,
      h("ul.lines", {}, groups.map((group) => lineOf(group, struck, count))),
      h("div.row.foot", {}, button(said("expected.nothing"), close), record));
  });
};
