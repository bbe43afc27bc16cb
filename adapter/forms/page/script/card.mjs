// One item: its answers (sides beside each other), its numbers, what is wrong with them, and the way to say
// that it was not examined.
import { button, h } from "./dom.mjs";
import { app, commit, derived } from "./state.mjs";
import { chooseAnswer, clearItem, findingsOf, sidesOf } from "./entry.mjs";
import { expectedOf } from "./catalogue.mjs";
import { judge, judgedAs } from "./judgement.mjs";
import { is, markedMeaning, named, ofSide, said, sideSaid, together } from "./said.mjs";
import { listed } from "./say.mjs";
import { valueInWords } from "./words.mjs";
import { reasonSheet } from "./reason_sheet.mjs";
import { detailPanel, hasDetails } from "./card_detail.mjs";
import { numberEntries } from "./card_number.mjs";
import { severalEntries } from "./card_several.mjs";
import { scoreEntry } from "./card_score.mjs";
import { timeEntry } from "./card_time.mjs";
import { wordsEntry } from "./card_words.mjs";

/** Which cards show all answers, and which their details; of the page only, not of the record. */
const opened = { answers: new Set(), details: new Set(), words: new Set() };

const key = (doc, item) => `${doc.key}/${item.id}`;

/** What an answer is, in words besides its place and mark. */
const mark = (answer) => {
  const tell = answer.meaning !== "expected" && answer.urgency !== "none" && app.catalogue.tellWords[answer.urgency].words;
  return listed(app.catalogue, [markedMeaning(answer.meaning), tell]);
};

const tap = (doc, item, side, answer) => {
  commit(doc, is(named(item, side), answer.label), () => {
    const set = chooseAnswer(doc, item, side, answer.id, app.catalogue);
    if (set && answer.meaning !== "expected" && hasPlaces(item)) opened.details.add(key(doc, item));
  }, { items: [item.id] });
};

const hasPlaces = (item) => item.sites.length > 0 || ["optional", "either"].includes(item.sides);

const given = (doc, item, side, answer) =>
  findingsOf(doc, item, item.sides === "each" ? side : undefined).some((f) => f.value === answer.id);

const whole = (doc, item, answer) =>
  h(`button.answer.${answer.meaning}`, {
    type: "button", "aria-pressed": String(given(doc, item, null, answer)), "data-focus": `${item.id}.${answer.id}`,
    onclick: () => tap(doc, item, null, answer),
  }, h("span.label", {}, answer.label), h("span.mark", {}, mark(answer)));

const both = (doc, item, answer) => {
  const sides = ["left", "right"].filter((side) => !given(doc, item, side, answer));
  const words = is(named(item, null, said("both_sides")), answer.label);
  commit(doc, words, () => {
    for (const side of sides.length ? sides : ["left", "right"]) chooseAnswer(doc, item, side, answer.id, app.catalogue);
  }, { items: [item.id] });
};

const sided = (doc, item, answer) => {
  const side = (name) =>
    h(`button.answer.side.${answer.meaning}`, {
      type: "button", "aria-pressed": String(given(doc, item, name, answer)), "data-focus": `${item.id}.${name}.${answer.id}`,
      "aria-label": listed(app.catalogue, [ofSide(name, answer.label), mark(answer)]), onclick: () => tap(doc, item, name, answer),
    }, h("span", {}, sideSaid(name)));
  const middle = answer.meaning === "expected"
    ? h("button.middle", { type: "button", "data-focus": `${item.id}.both.${answer.id}`, onclick: () => both(doc, item, answer) },
        h("span.label", {}, answer.label), h("span.mark", {}, together(mark(answer), said("both_sides"))))
    : h("span.middle", {}, h("span.label", {}, answer.label), h("span.mark", {}, mark(answer)));
  return h("div.sided", { role: "group", "aria-label": answer.label }, side("left"), middle, side("right"));
};

const answers = (doc, item) => {
  const chosen = (answer) => sidesOf(item).some((side) => given(doc, item, side, answer));
  const one = expectedOf(item);
  const all = opened.answers.has(key(doc, item)) || !one;
  const shown = item.answers.filter((answer) => all || answer === one || chosen(answer));
  return shown.map((answer) => (item.sides === "each" ? sided(doc, item, answer) : whole(doc, item, answer)));
};

const others = (doc, item) => {
  if (!expectedOf(item) || item.answers.length < 2) return null;
  const all = opened.answers.has(key(doc, item));
  return button(all ? said("card.fewer") : said("card.others", { number: item.answers.length - 1 }), () => flip("answers", doc, item),
    { "aria-expanded": String(all), "data-focus": `${item.id}.others`, "aria-label": said(all ? "card.fewer_of" : "card.others_of", { item: item.label }) }, "button.small");
};

const flip = (what, doc, item) => {
  const set = opened[what];
  if (!set.delete(key(doc, item))) set.add(key(doc, item));
  app.refresh([item.id], "");
};

const absent = (doc, item) =>
  findingsOf(doc, item)
    .filter((f) => f.not_examined)
    .map((f) => h("p.absent", {}, together(ofSide(f.side, valueInWords(f, item, app.catalogue)), f.note)));

const counts = (doc, item) =>
  findingsOf(doc, item)
    .map((f) => judgedAs(f, item, judge(f, item, derived(doc).record, app.catalogue), app.catalogue))
    .filter(Boolean)
    .map((words) => h("p.problem.warning", { role: "status" }, words, "."));

const problems = (doc, item) => {
  const found = derived(doc).problems.filter((one) => one.index !== null && doc.record.findings[one.index]?.item === item.id);
  return h("div", { "data-live": `${item.id}.problems` },
    found.map((one) => h(`p.problem.${one.severity}`, { role: "status" }, h("b", {}, said(one.severity === "error" ? "card.wrong" : "card.doubtful")), one.what, " ", one.remedy)));
};

const body = (doc, item) => {
  switch (item.type) {
    case "quantity":
      return sidesOf(item).map((side) => numberEntries(doc, item, side));
    case "quantities":
      return severalEntries(doc, item);
    case "score":
      return scoreEntry(doc, item);
    case "time":
      return [timeEntry(doc, item), item.answers.map((answer) => whole(doc, item, answer))];
    case "text":
      return wordsEntry(doc, item, null);
    default:
      return answers(doc, item);
  }
};

const acts = (doc, item) => {
  const some = findingsOf(doc, item).length > 0 || doc.drafts.some((f) => f.item === item.id);
  const small = (key, onclick, extra) => {
    const act = said(`card.${key}`);
    return button(act, onclick, { "aria-label": said("card.act_of", { act, item: item.label }), "data-focus": `${item.id}.${key}`, ...extra }, "button.small");
  };
  const wording = ["choice", "choices"].includes(item.type);
  return h("div.acts", {}, wording ? others(doc, item) : null,
    small("missed", () => reasonSheet(doc, item.label, [{ item: item.id, side: null }])),
    wording ? small("words", () => flip("words", doc, item), { "aria-expanded": String(opened.words.has(key(doc, item))) }) : null,
    some && hasDetails(doc, item) ? small("details", () => flip("details", doc, item), { "aria-expanded": String(opened.details.has(key(doc, item))) }) : null,
    some ? small("clear", () => commit(doc, said("card.cleared", { item: item.label }), () => clearItem(doc, item), { items: [item.id] })) : null);
};

const stateOf = (doc, item) => {
  const found = findingsOf(doc, item);
  if (!found.length) return "unset";
  if (found.some((f) => derived(doc).pool.find((one) => one.finding.item === item.id && one.judged?.meaning === "abnormal"))) return "abnormal";
  return found.every((f) => f.not_examined) ? "missed" : "set";
};

/** The card. */
export const card = (doc, item) => {
  const words = opened.words.has(key(doc, item)) || findingsOf(doc, item).some((f) => f.text !== undefined);
  const title = `title-${item.id}`;
  return h(`section.card.${stateOf(doc, item)}`, { id: `card-${item.id}`, "aria-labelledby": title },
    h("div.head", {}, h("h3", { id: title, tabindex: "-1", "data-unset": said("card.unset") }, item.label), item.how ? h("p.how", {}, item.how) : null,
      opened.answers.has(key(doc, item)) && item.caution ? h("p.caution", {}, said("card.caution", { caution: item.caution })) : null),
    h("div.body", {},
      doc.saved
        ? findingsOf(doc, item).map((f) => h("p", {}, ofSide(f.side, valueInWords(f, item, app.catalogue))))
        : [
            body(doc, item),
            words && item.type !== "text" ? sidesOf(item).map((side) => wordsEntry(doc, item, side)) : null,
            absent(doc, item),
            opened.details.has(key(doc, item)) ? detailPanel(doc, item) : null,
            counts(doc, item),
            problems(doc, item),
            acts(doc, item),
          ]));
};

