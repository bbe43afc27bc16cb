// That somebody was told of a line: to whom, when, read back; kept in the record. The line stays on the list.
import { button, choice, field, h, sheet } from "./dom.mjs";
import { inPeoplesWords, instant, now } from "./moments.mjs";
import { inline, say } from "./say.mjs";
import { app, commit } from "./state.mjs";
import { timeField } from "./time_field.mjs";

/** The tellings of a record. */
export const tellingsOf = (record) => record.told ?? [];

const role = (person) => inline(app.catalogue, "roles", person.role, app.catalogue.roles[person.role]);

/** `told 1 Mar 2026, 09:10 +01:00 to Dr N (physician), read back`; what was said, where the line says otherwise now. */
export const tellingWords = (telling, line = null) => {
  const back = telling.read_back === undefined ? "" : telling.read_back ? ", read back" : ", not read back";
  const said = telling.words && telling.words !== line?.words ? `, in the words: ${telling.words}` : "";
  return `told ${inPeoplesWords(telling.at)} to ${telling.to.name} (${role(telling.to)})${back}${said}`;
};

const add = (doc, line, telling) => {
  const [{ name, role: own }] = doc.record.exam.examiners;
  const by = name?.trim() && own ? { by: { name: name.trim(), role: own } } : {};
  commit(doc, `${line.words}: told to ${telling.to.name}`, () => {
    doc.record.told = [...tellingsOf(doc.record), { line: line.id, ...telling, ...by, words: line.words }];
  });
  app.render(`Told: ${line.words}`);
};

const faultOf = (doc, telling) => {
  if (!telling.to.name.trim() || !telling.to.role) return "Say who was told, and in which role.";
  if (instant(telling.at) === null) return "Say when.";
  return instant(telling.at) < instant(doc.record.newborn.birth_time) ? "That is before birth." : null;
};

const ask = (doc, line, last) => {
  const telling = { at: now(), to: { name: last?.to.name ?? "", role: last?.to.role ?? "" } };
  sheet("Told", (close) => {
    const said = h("p.problem.error", { role: "alert" });
    const keep = () => {
      const fault = faultOf(doc, telling);
      if (fault) said.replaceChildren(fault);
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
      field("Told to", h("input", { type: "text", dir: "auto", maxlength: "255", autocomplete: "off", value: telling.to.name, oninput: (event) => (telling.to.name = event.target.value) })),
      field("Their role", choice([["", "choose"], ...Object.entries(app.catalogue.roles)], telling.to.role, (value) => (telling.to.role = value ?? ""))),
      timeField("When", telling.at, (iso) => (telling.at = iso)),
      field("Read back", choice([["", "not noted"], ["yes", "yes"], ["no", "no"]], "", back), "Did they repeat it, and was it right?"),
      said, h("div.row", {}, button("Keep", keep, {}, "button.main.big"), button("Nothing of this", close)));
  });
};

const takeBack = (doc, telling) => {
  commit(doc, `Taken back: ${tellingWords(telling)}`, () => {
    doc.record.told = tellingsOf(doc.record).filter((one) => one !== telling);
  });
  app.render("Taken back");
};

const oneTelling = (doc, telling, line) =>
  h("p.told-to", {}, line ? tellingWords(telling, line) : `${telling.line}: ${tellingWords(telling)}`,
    doc.saved ? null : [" ", button("Take back", () => takeBack(doc, telling), { "aria-label": `Take back: ${tellingWords(telling)}` }, "button.small")]);

/** What a line of the list says of who was told, and the buttons that mark it. */
export const toldOf = (doc, line) => {
  const last = tellingsOf(doc.record).at(-1);
  const again = last && (() => add(doc, line, { at: now(), to: { ...last.to } }));
  return [
    tellingsOf(doc.record).filter((one) => one.line === line.id).map((one) => oneTelling(doc, one, line)),
    doc.saved || !doc.begun ? null : h("div.row.screen", {},
      button("Told …", () => ask(doc, line, last), { "aria-label": `Told: ${line.words} …` }, "button.small"),
      again && button(`Told ${last.to.name} now`, again, { "aria-label": `Told ${last.to.name} now: ${line.words}` }, "button.small")),
  ];
};

/** Who was told of lines that the list has no more. */
export const toldOfOthers = (doc, lines) => {
  const ids = new Set(lines.map((line) => line.id));
  const others = tellingsOf(doc.record).filter((one) => !ids.has(one.line));
  return others.length ? [h("h3.none", {}, say(app.catalogue, "tell.others", { number: others.length })), others.map((one) => oneTelling(doc, one, null))] : null;
};
