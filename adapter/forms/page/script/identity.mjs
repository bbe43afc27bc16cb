// Who is examined, on every view: the baby's own frame, in words and pattern; the other twin beside it, never mixed.
import { bdi, button, h, sheet } from "./dom.mjs";
import { inPeoplesWords } from "./moments.mjs";
import { ageInWords } from "./age.mjs";
import { app, derived, go, otherOf, placeOf } from "./state.mjs";
import { progress } from "./pages.mjs";
import { listMark } from "./ward.mjs";

/** `1 of 2`, or nothing for a single birth. */
export const orderWords = (doc) => {
  const { order, of } = doc.record.newborn.birth_order ?? {};
  return order ? `${order}${of ? ` of ${of}` : " of several"}` : "";
};

/** The baby's name, or that none was given. */
export const nameOf = (doc) => doc.record.newborn.name || "No ward name";

const identifiers = (doc) =>
  doc.record.newborn.identifiers.filter((one) => one.value).map((one) => [h("span.system", {}, `${one.system} `), h("b", {}, bdi(one.value))]);

const pattern = (doc) => ((doc.record.newborn.birth_order?.order ?? 1) % 2 ? "one" : "two");

const badge = (doc) => orderWords(doc) && h("span.badge", {}, `Baby ${orderWords(doc)}`);

const facts = (doc) => {
  const { newborn } = doc.record;
  return [
    h("p.ids", {}, identifiers(doc).map((one, n) => [n ? ", " : "", one])),
    h("p", {}, `${newborn.sex || "sex not given"}, born ${inPeoplesWords(newborn.birth_time)}`),
  ];
};

const exam = (doc) => {
  const { exam: details } = doc.record;
  const by = details.examiners.map((one) => one.name).filter(Boolean);
  const kind = app.catalogue.kinds[details.kind]?.label ?? "";
  return h("p.exam", {}, `${kind}, begun ${inPeoplesWords(details.started)}; `, by.map((name) => bdi(name)),
    details.status === "amended" ? " (correction)" : "");
};

const ask = (doc, other) =>
  sheet("Go to the other baby?", (close) =>
    h("div", {},
      h("p", {}, "You are leaving:"), frame(doc, false),
      h("p", {}, "You are going to:"), frame(other, false),
      h("p", {}, "Read this baby's band before you go on."),
      h("div.row", {},
        button(`Go to ${nameOf(other)}${orderWords(other) ? `, ${orderWords(other)}` : ""}`, () => {
          app.key = other.key;
          close();
          go(placeOf(other), `Now examining ${nameOf(other)}, ${orderWords(other)}`);
        }, {}, "button.main"),
        button(`Stay with ${nameOf(doc)}`, close))));

const frame = (doc, active) =>
  h(`div.frame.${pattern(doc)}${active ? ".active" : ""}`, {},
    h("p.who", {}, badge(doc), h("strong", {}, bdi(nameOf(doc)))), facts(doc));

/** One line for the head of a window: name, order, numbers. */
export const identityLine = (doc) =>
  h(`p.of.${pattern(doc)}`, {}, badge(doc), h("b", {}, bdi(nameOf(doc))), " ", identifiers(doc).map((one) => [one, " "]));

/** The header: the baby being examined, and the other twin where there is one. */
export const identity = (doc, other = otherOf(doc)) => {
  const age = ageInWords(derived(doc).record);
  const { done, all } = progress(doc);
  const main = h(`section.frame.${pattern(doc)}.active`, { "aria-label": `Baby being examined: ${nameOf(doc)}` },
    h("p.who", {}, badge(doc), h("strong", {}, bdi(nameOf(doc))), listMark(doc),
      doc.record.exam.status === "amended" && h("span.badge", {}, "Correction"),
      other && h("span.now", {}, doc.saved ? "shown now" : "examined now"),
      button("Who", () => go("who"), { "aria-label": "Who is examined, by whom, when" }, "button.small")),
    facts(doc), h("p.age", {}, `${age}${age ? "; " : ""}${done} of ${all} recorded`, doc.saved ? "; saved" : ""), exam(doc));
  if (!other) return [main];
  const counts = progress(other);
  const told = derived(other).told.filter((line) => line.urgency === "tell-now").length;
  return [
    main,
    h(`section.frame.${pattern(other)}.other`, { "aria-label": `The other baby: ${nameOf(other)}` },
      h("p.who", {}, badge(other), h("strong", {}, bdi(nameOf(other))), h("span.now", {}, "not this one")),
      h("div.rest", {}, facts(other), h("p.age", {}, `${counts.done} of ${counts.all} recorded, ${told} to tell now`)),
      button("Switch …", () => ask(doc, other), { "aria-label": `Switch to the other baby, ${nameOf(other)}, ${orderWords(other)}` })),
  ];
};
