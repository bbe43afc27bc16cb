// An answer in the examiner's own words, and how soon to tell of it.
import { choice, field, h } from "./dom.mjs";
import { URGENCIES } from "./catalogue.mjs";
import { app, commit } from "./state.mjs";
import { findingsOf, placeEntry } from "./entry.mjs";
import { named, said, sideSaid } from "./said.mjs";

/** The field. */
export const wordsEntry = (doc, item, side) => {
  const held = [...findingsOf(doc, item, side ?? undefined), ...doc.drafts.filter((f) => f.item === item.id)];
  const entry = held.find((f) => f.text !== undefined) ?? { item: item.id, ...(side ? { side } : {}), text: "" };
  const put = (items) =>
    commit(doc, said("card.in_words_step", { item: item.label }), () => placeEntry(doc, entry, app.catalogue), { same: `${item.id}.words`, items });
  const area = h("textarea", {
    rows: "2", dir: "auto", value: entry.text, maxlength: "2000", "data-focus": `${item.id}.${side ?? ""}.words`,
    oninput: (event) => {
      entry.text = event.target.value;
      put([item.id]);
    },
  });
  const urgency = choice([["", said("card.not_by_itself")], ...URGENCIES.slice(1).map((id) => [id, app.catalogue.tellWords[id].title])], entry.urgency, (value) => {
    if (value) entry.urgency = value;
    else delete entry.urgency;
    put([item.id]);
  });
  return h("div.words", {}, field(said("card.in_words", { what: named(item, side) }), area),
    field(side ? said("card.how_soon_of", { side: sideSaid(side) }) : said("card.how_soon"), urgency));
};
