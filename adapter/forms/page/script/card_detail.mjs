// Where, how, when and with which remark a finding was made; each finding of an item has its own.
import { button, choice, field, h } from "./dom.mjs";
import { app, commit } from "./state.mjs";
import { URGENCIES, answerOf } from "./catalogue.mjs";
import { findingsOf } from "./entry.mjs";
import { now } from "./moments.mjs";
import { is, ofSide, said, sideSaid } from "./said.mjs";
import { valueInWords } from "./words.mjs";
import { timeField } from "./time_field.mjs";

/** Whether there is anything to say beside the finding; a note there always is. */
export const hasDetails = (doc, item) => findingsOf(doc, item).length > 0;

const put = (doc, item, finding, key, value, { same = null, items = [item.id] } = {}) =>
  commit(doc, is(item.label, said(`detail.step_${key}`)), () => {
    if (value) finding[key] = value;
    else delete finding[key];
  }, { items, same });

const from = (ids, labels) => [["", "–"], ...ids.map((id) => [id, labels(id)])];

const places = (doc, item, finding) => {
  const { sites, methods, states } = app.catalogue;
  const pick = (words, ids, labels, key) =>
    ids.length ? field(words, choice(from(ids, labels), finding[key], (value) => put(doc, item, finding, key, value))) : null;
  const usual = [...new Set([...item.methods, ...(item.method ? [item.method] : [])])];
  const site = sites[finding.site];
  return [
    pick(said("place"), item.sites, (id) => sites[id].label, "site"),
    ["optional", "either"].includes(item.sides) && !site?.side ? pick(said("detail.side"), ["left", "right"], sideSaid, "side") : null,
    finding.not_examined ? null : pick(said("detail.method"), usual, (id) => app.catalogue.methods[id], "method"),
    item.states && !finding.not_examined ? pick(said("state"), Object.keys(states), (id) => states[id], "state") : null,
    pick(said("detail.urgency"), URGENCIES.slice(1), (id) => app.catalogue.tellWords[id].title, "urgency"),
  ];
};

const another = (doc, item, finding) =>
  button(said("detail.another"), () =>
    commit(doc, said("detail.another_step", { item: item.label }), () => {
      const { site, side, ...rest } = finding;
      doc.record.findings.splice(doc.record.findings.indexOf(finding) + 1, 0, { ...rest, ...(item.sides === "each" ? { side } : {}) });
    }, { items: [item.id] }), {}, "button.small");

const ofFinding = (doc, item, finding) => {
  const words = ofSide(finding.side, valueInWords(finding, item, app.catalogue));
  const note = h("textarea", {
    rows: "2", value: finding.note ?? "", dir: "auto", maxlength: "2000",
    oninput: (event) => put(doc, item, finding, "note", event.target.value, { same: `${item.id}.note` }),
  });
  const meant = typeof finding.value === "string" ? answerOf(item, finding.value)?.meaning : null;
  const at = item.minutes_after_birth === undefined && !finding.not_examined;
  return h("fieldset.detail", {}, h("legend", {}, words),
    places(doc, item, finding), field(said("note"), note),
    at && h("div.row", {}, timeField(said("detail.time"), finding.observed_at ?? "", (iso) => put(doc, item, finding, "observed_at", iso, { same: `${item.id}.at` })),
      button(said("now"), () => put(doc, item, finding, "observed_at", now()), {}, "button.small")),
    meant && meant !== "expected" && (item.sites.length || ["optional", "either"].includes(item.sides)) ? another(doc, item, finding) : null,
    button(said("detail.remove"), () => commit(doc, said("detail.removed", { words }), () => {
      doc.record.findings = doc.record.findings.filter((f) => f !== finding);
    }, { items: [item.id] }), {}, "button.small"));
};

/** The panel. */
export const detailPanel = (doc, item) =>
  h("div.details", {}, findingsOf(doc, item).map((finding) => ofFinding(doc, item, finding)));
