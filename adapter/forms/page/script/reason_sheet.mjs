// Not examined, and why: for an item, one side of it, or all that is still unset on a page.
import { button, field, h, sheet } from "./dom.mjs";
import { app, commit } from "./state.mjs";
import { setReason, sidesOf } from "./entry.mjs";
import { reasonWords } from "./words.mjs";
import { named, said } from "./said.mjs";

const sidePicker = (item, chosen) => {
  const names = [["", said("both_sides")], ["left", said("reason.left")], ["right", said("reason.right")]];
  return h("fieldset.radios", {}, h("legend", {}, said("reason.which")), names.map(([side, words]) =>
    h("label.tick", {}, h("input", { type: "radio", name: "reason-side", value: side, checked: side === chosen.side, onchange: () => (chosen.side = side) }), words)));
};

/** Ask the reason; `gaps` are items with the side that is missing (null: the whole item). */
export const reasonSheet = (doc, title, gaps) => {
  const items = gaps.map((gap) => app.catalogue.items.get(gap.item));
  const single = gaps.length === 1 && items[0].sides === "each" && gaps[0].side === null ? items[0] : null;
  const chosen = { side: "" };
  const note = h("input", { type: "text", dir: "auto", maxlength: "255" });
  const say = (reason, close, warn) => {
    if (reason === "other_reason" && !note.value.trim()) {
      warn.textContent = said("reason.say_note");
      note.focus();
      return;
    }
    close();
    const words = said("reason.step", { what: title, reason: reasonWords(reason, app.catalogue) });
    commit(doc, words, () => {
      for (const [n, gap] of gaps.entries()) {
        const sides = gap.side ? [gap.side] : single && chosen.side ? [chosen.side] : sidesOf(items[n]);
        for (const side of sides) setReason(doc, items[n], side, reason, note.value.trim(), app.catalogue);
      }
    }, { items: [...new Set(items.map((item) => item.id))] });
  };
  sheet(said("reason.title", { what: title }), (close) => {
    const warn = h("p.problem", { role: "alert" });
    return h("div", {},
      h("p.hint", {}, said(gaps.length > 1 ? "reason.all" : "reason.why")),
      gaps.length > 1 ? h("ul.short", {}, gaps.map((gap, n) => h("li", {}, named(items[n], gap.side)))) : null,
      single ? sidePicker(single, chosen) : null,
      field(said("reason.note"), note), warn,
      h("div.reasons", {}, Object.entries(app.catalogue.reasons).map(([id, reason]) => button(reason.label, () => say(id, close, warn), {}, "button.reason"))),
      button(said("nothing_of_this"), close));
  });
};
