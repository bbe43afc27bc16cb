// That somebody was told of a line: to whom, when, read back; kept in the record. The line stays on the list.
import { button, choice, field, h, sheet } from "./dom.mjs";
import { instant, now } from "./moments.mjs";
import { inline } from "./say.mjs";
import { is, moment, said, saidOf } from "./said.mjs";
import { app, commit } from "./state.mjs";
import { timeField } from "./time_field.mjs";

/** The tellings of a record. */
export const tellingsOf = (record) => record.told ?? [];

const role = (person) => inline(app.catalogue, "roles", person.role, app.catalogue.roles[person.role]);

/** `told at 2026-03-01 09:10+01:00 to Dr N (physician), read back`; what was said, where the line says otherwise now. */
export const tellingWords = (telling, line = null) => {
  const back = telling.read_back === undefined ? "" : saidOf(telling.read_back ? "told.back" : "told.not_back");
  const words = telling.words && telling.words !== line?.words ? saidOf("told.said", { words: telling.words }) : "";
  const to = saidOf("beside", { words: telling.to.name, of: role(telling.to) });
  return saidOf("told.at", { at: moment(telling.at), to, by: "", back, said: words });
};

const add = (doc, line, telling) => {
  const [{ name, role: own }] = doc.record.exam.examiners;
  const by = name?.trim() && own ? { by: { name: name.trim(), role: own } } : {};
  commit(doc, said("told.step", { line: line.words, name: telling.to.name }), () => {
    doc.record.told = [...tellingsOf(doc.record), { line: line.id, ...telling, ...by, words: line.words }];
  });
  app.render(said("told.done", { line: line.words }));
};

const faultOf = (doc, telling) => {
  if (!telling.to.name.trim() || !telling.to.role) return said("told.say_who");
  if (instant(telling.at) === null) return said("told.say_when");
  return instant(telling.at) < instant(doc.record.newborn.birth_time) ? said("told.before_birth") : null;
};

const ask = (doc, line, last) => {
  const telling = { at: now(), to: { name: last?.to.name ?? "", role: last?.to.role ?? "" } };
  sheet(said("told.title"), (close) => {
    const status = h("p.problem.error", { role: "alert" });
    const keep = () => {
      const fault = faultOf(doc, telling);
      if (fault) status.replaceChildren(fault);
      else {
        close();
        add(doc, line, { ...telling, to: { ...telling.to, name: telling.to.name.trim() } });
      }
    };
    const back = (value) => {
      if (value) telling.read_back = value === "yes";
      else delete telling.read_back;
    };
    return h("div", {}, h("p.words", {}, line.words),
      field(said("told.to"), h("input", { type: "text", dir: "auto", maxlength: "255", autocomplete: "off", value: telling.to.name, oninput: (event) => (telling.to.name = event.target.value) })),
      field(said("told.role"), choice([["", said("choose")], ...Object.entries(app.catalogue.roles)], telling.to.role, (value) => (telling.to.role = value ?? ""))),
      timeField(said("told.when"), telling.at, (iso) => (telling.at = iso)),
      field(said("told.read_back"), choice([["", said("told.not_noted")], ["yes", said("told.yes")], ["no", said("told.no")]], "", back), said("told.read_back_hint")),
      status, h("div.row", {}, button(said("told.keep"), keep, {}, "button.main.big"), button(said("nothing_of_this"), close)));
  });
};

const takeBack = (doc, telling) => {
  commit(doc, said("told.taken_back_of", { telling: tellingWords(telling) }), () => {
    doc.record.told = tellingsOf(doc.record).filter((one) => one !== telling);
  });
  app.render(said("told.taken_back"));
};

const oneTelling = (doc, telling, line) =>
  h("p.told-to", {}, line ? tellingWords(telling, line) : is(telling.line, tellingWords(telling)),
    doc.saved ? null : [" ", button(said("told.take_back"), () => takeBack(doc, telling), { "aria-label": said("told.take_back_of", { telling: tellingWords(telling) }) }, "button.small")]);

/** What a line of the list says of who was told, and the buttons that mark it. */
export const toldOf = (doc, line) => {
  const last = tellingsOf(doc.record).at(-1);
  const again = last && (() => add(doc, line, { at: now(), to: { ...last.to } }));
  return [
    tellingsOf(doc.record).filter((one) => one.line === line.id).map((one) => oneTelling(doc, one, line)),
    doc.saved || !doc.begun ? null : h("div.row.screen", {},
      button(said("told.tell"), () => ask(doc, line, last), { "aria-label": said("told.tell_of", { line: line.words }) }, "button.small"),
      again && button(said("told.tell_again", { name: last.to.name }), again, { "aria-label": said("told.tell_again_of", { name: last.to.name, line: line.words }) }, "button.small")),
  ];
};

/** Who was told of lines that the list has no more. */
export const toldOfOthers = (doc, lines) => {
  const ids = new Set(lines.map((line) => line.id));
  const others = tellingsOf(doc.record).filter((one) => !ids.has(one.line));
  return others.length ? [h("h3.none", {}, saidOf("tell.others", { number: others.length })), others.map((one) => oneTelling(doc, one, null))] : null;
};
