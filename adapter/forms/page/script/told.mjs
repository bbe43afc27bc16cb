// What must be told, live: now, this shift, at the next round, still to do; and that the adapter's list is the one that counts.
import { h } from "./dom.mjs";
import { URGENCIES } from "./catalogue.mjs";
import { app, current, derived } from "./state.mjs";
import { leadTo } from "./lead.mjs";
import { pageOfItem } from "./pages.mjs";
import { whyNot } from "./judgement.mjs";
import { numberOf } from "./numbers.mjs";
import { toldOf, toldOfOthers } from "./told_sheet.mjs";
import { clauses } from "./say.mjs";
import { counted, is, said, saidOf } from "./said.mjs";
import { inWords } from "./words.mjs";

const lineOf = (doc, line) => {
  const number = pageOfItem(doc, line.places[0]);
  const words = number >= 0 ? h("button.link", { type: "button", onclick: () => leadTo(current(), line.places[0]) }, line.words) : line.words;
  return h(`li.${line.urgency}`, {}, h("p.words", {}, words), toldOf(doc, line),
    line.because.length ? h("p.because", {}, clauses(app.catalogue, line.because)) : null,
    h("p.why", {}, `${line.reason.replace(/\.$/, "")}. ${line.source ?? ""}`));
};

/** The list by urgency. */
export const toldPanel = (doc) => {
  const { told: lines, pool, record } = derived(doc);
  const unjudged = pool.filter((one) => one.item.ranges.length && !one.item.chart && one.finding.value && (!one.finding.value.signs || numberOf(one.finding, one.item, app.catalogue) !== null)).map((one) => [one, whyNot(one, record, app.catalogue)]).filter(([, why]) => why);
  return [
    h("div.told", {},
      [...URGENCIES].reverse().map((urgency) => {
        const { heading } = app.catalogue.tellWords[urgency];
        const some = lines.filter((line) => line.urgency === urgency);
        const none = said(urgency === "none" ? "nothing_to_do" : "nothing_so_far");
        return [h(`h3.${urgency}`, {}, some.length ? counted(heading, some) : heading),
          some.length ? h("ul", {}, some.map((line) => lineOf(doc, line))) : h("p.hint", {}, none)];
      }),
      toldOfOthers(doc, lines),
      unjudged.length ? [h("h3.none", {}, saidOf("tell.not_judged", { number: unjudged.length })),
        h("ul", {}, unjudged.map(([one, why]) => h("li", {}, is(inWords(one.finding, one.item, app.catalogue), why))))] : null,
      h("p.hint", {}, said("list_that_counts")),
      h("p.hint", {}, said("no_diagnosis", { policy: app.catalogue.policy.name, date: app.catalogue.policy.date }))),
  ];
};

/** The list as a view of its own. */
export const toldView = (doc) => h("article", {}, h("h2", { tabindex: "-1" }, said("to_be_told")), toldPanel(doc));
