// What must be told, live: now, this shift, at the next round, still to do; and that the adapter's list is the one that counts.
import { h } from "./dom.mjs";
import { URGENCIES } from "./catalogue.mjs";
import { app, current, derived } from "./state.mjs";
import { leadTo } from "./lead.mjs";
import { pageOfItem } from "./pages.mjs";
import { whyNot } from "./judgement.mjs";
import { numberOf } from "./numbers.mjs";
import { toldOf, toldOfOthers } from "./told_sheet.mjs";
import { inWords } from "./words.mjs";

const lineOf = (doc, line) => {
  const number = pageOfItem(doc, line.places[0]);
  const words = number >= 0 ? h("button.link", { type: "button", onclick: () => leadTo(current(), line.places[0]) }, line.words) : line.words;
  return h(`li.${line.urgency}`, {}, h("p.words", {}, words), toldOf(doc, line),
    line.because.length ? h("p.because", {}, line.because.join("; ")) : null,
    h("p.why", {}, `${line.reason.replace(/\.$/, "")}. ${line.source ?? ""}`));
};

/** What the page does not work out. */
const NOT_COMPUTED = "Not worked out here: size for gestation by a growth reference, and what changed since earlier exams.";

/** The list by urgency. */
export const toldPanel = (doc) => {
  const { told: lines, pool, record } = derived(doc);
  const unjudged = pool.filter((one) => one.item.ranges.length && !one.item.chart && one.finding.value && (!one.finding.value.signs || numberOf(one.finding, one.item, app.catalogue) !== null)).map((one) => [one, whyNot(one, record, app.catalogue)]).filter(([, why]) => why);
  return [
    h("div.told", {},
      [...URGENCIES].reverse().map((urgency) => {
        const { title } = app.catalogue.tellWords[urgency];
        const some = lines.filter((line) => line.urgency === urgency);
        const none = urgency === "none" ? "Nothing." : "Nothing so far. That does not say that all is well.";
        return [h(`h3.${urgency}`, {}, title[0].toUpperCase() + title.slice(1), some.length ? ` (${some.length})` : ""),
          some.length ? h("ul", {}, some.map((line) => lineOf(doc, line))) : h("p.hint", {}, none)];
      }),
      toldOfOthers(doc, lines),
      unjudged.length ? [h("h3.none", {}, `Not judged: neither expected nor abnormal (${unjudged.length})`),
        h("ul", {}, unjudged.map(([one, why]) => h("li", {}, `${inWords(one.finding, one.item, app.catalogue)}: ${why}`)))] : null,
      h("p.hint", {}, `The list that the adapter makes after saving is the one that counts. ${NOT_COMPUTED}`),
      h("p.hint", {}, "A list for a licensed person, not a diagnosis. Local policy decides: ",
        `${app.catalogue.policy.name}, ${app.catalogue.policy.date}.`)),
  ];
};

/** The list as a view of its own. */
export const toldView = (doc) => h("article", {}, h("h2", { tabindex: "-1" }, "To be told"), toldPanel(doc));
