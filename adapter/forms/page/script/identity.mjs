// Who is examined, on every view: the baby's own frame, in words and pattern; the other twin beside it, never mixed.
import { bdi, button, h, sheet } from "./dom.mjs";
import { ageInWords } from "./age.mjs";
import { babyBadge, nameOf, wholeName } from "./called.mjs";
import { moment, said, saidOf, saidWith, together } from "./said.mjs";
import { app, derived, go, otherOf, placeOf } from "./state.mjs";
import { progress } from "./pages.mjs";
import { listMark } from "./ward.mjs";

const identifiers = (doc) =>
  doc.record.newborn.identifiers.filter((one) => one.value).map((one) => [h("span.system", {}, `${one.system} `), h("b", {}, bdi(one.value))]);

const pattern = (doc) => ((doc.record.newborn.birth_order?.order ?? 1) % 2 ? "one" : "two");

const badge = (doc) => babyBadge(doc.record.newborn);

const facts = (doc) => {
  const { newborn } = doc.record;
  return [
    h("p.ids", {}, identifiers(doc).map((one, n) => [n ? ", " : "", one])),
    h("p", {}, said("frame.sex_born", {
      sex: newborn.sex ? saidOf(`sex.${newborn.sex}`) : said("frame.no_sex"), at: moment(newborn.birth_time),
    })),
  ];
};

const exam = (doc) => {
  const { exam: details } = doc.record;
  const by = details.examiners.map((one) => one.name).filter(Boolean);
  const kind = app.catalogue.kinds[details.kind]?.label ?? "";
  const words = saidWith(details.status === "amended" ? "frame.exam_corrected" : "frame.exam", {
    kind, at: moment(details.started), by: by.map((name) => bdi(name)),
  });
  return h("p.exam", {}, words);
};

const ask = (doc, other) =>
  sheet(said("frame.switch_title"), (close) =>
    h("div", {},
      h("p", {}, said("frame.leaving")), frame(doc, false),
      h("p", {}, said("frame.going")), frame(other, false),
      h("p", {}, said("frame.read_band")),
      h("div.row", {},
        button(said("frame.go_to", { name: wholeName(other) }), () => {
          app.key = other.key;
          close();
          go(placeOf(other), said("frame.examining_now", { name: wholeName(other) }));
        }, {}, "button.main"),
        button(said("frame.stay_with", { name: nameOf(doc) }), close))));

const frame = (doc, active) =>
  h(`div.frame.${pattern(doc)}${active ? ".active" : ""}`, {},
    h("p.who", {}, badge(doc), h("strong", {}, bdi(nameOf(doc)))), facts(doc));

/** One line for the head of a window: name, order, numbers. */
export const identityLine = (doc) =>
  h(`p.of.${pattern(doc)}`, {}, badge(doc), h("b", {}, bdi(nameOf(doc))), " ", identifiers(doc).map((one) => [one, " "]));

/** The header: the baby being examined, and the other twin where there is one. */
export const identity = (doc, other = otherOf(doc)) => {
  const age = ageInWords(derived(doc).record, app.catalogue);
  const main = h(`section.frame.${pattern(doc)}.active`, { "aria-label": said("frame.examined", { name: nameOf(doc) }) },
    h("p.who", {}, badge(doc), h("strong", {}, bdi(nameOf(doc))), listMark(doc),
      doc.record.exam.status === "amended" && h("span.badge", {}, said("frame.correction")),
      other && h("span.now", {}, said(doc.saved ? "frame.shown_now" : "frame.examined_now")),
      button(said("frame.who"), () => go("who"), { "aria-label": said("frame.who_label") }, "button.small")),
    facts(doc), h("p.age", {}, together(age, said("progress", progress(doc)), doc.saved && said("saved"))), exam(doc));
  if (!other) return [main];
  const told = derived(other).told.filter((line) => line.urgency === "tell-now").length;
  return [
    main,
    h(`section.frame.${pattern(other)}.other`, { "aria-label": said("frame.other", { name: nameOf(other) }) },
      h("p.who", {}, badge(other), h("strong", {}, bdi(nameOf(other))), h("span.now", {}, said("frame.not_this"))),
      h("div.rest", {}, facts(other), h("p.age", {}, said("frame.other_counts", { ...progress(other), told }))),
      button(said("frame.switch"), () => ask(doc, other), { "aria-label": said("frame.switch_label", { name: wholeName(other) }) })),
  ];
};
