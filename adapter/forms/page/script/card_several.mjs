// A measurement of several numbers in one unit: a blood pressure, the two readings of a screen.
import { button, choice, field, h } from "./dom.mjs";
import { app, commit, derived } from "./state.mjs";
import { entriesOf, isWholeEntry, placeEntry } from "./entry.mjs";
import { now } from "./moments.mjs";
import { unitShown } from "./units.mjs";
import { judge } from "./judgement.mjs";
import { typed } from "./card_number.mjs";
import { markedMeaning, said } from "./said.mjs";

const fresh = (item) => ({ item: item.id, value: { components: {}, unit: item.unit } });

const place = (doc, item, entry) =>
  commit(doc, item.label, () => placeEntry(doc, entry, app.catalogue), { same: item.id, items: [item.id] });

const part = (doc, item, entry, component) =>
  field(component.label, h("input.number", {
    type: "text", inputmode: "decimal", autocomplete: "off", maxlength: "12", value: entry.value.components[component.id] ?? "",
    "data-focus": `${item.id}.${component.id}`,
    oninput: (event) => {
      const text = typed(event.target.value);
      if (text) entry.value.components[component.id] = text;
      else delete entry.value.components[component.id];
      place(doc, item, entry);
    },
  }));

const fields = (doc, item, entry, n) => {
  const { sites, states } = app.catalogue;
  const pick = (words, ids, labels, key) =>
    field(words, choice([["", "–"], ...ids.map((id) => [id, labels(id)])], entry[key], (value) => {
      if (value) entry[key] = value;
      else delete entry[key];
      place(doc, item, entry);
      app.refresh([item.id], "");
    }));
  const units = item.units.map((ucum) => [ucum, unitShown(ucum, app.catalogue).trim()]);
  const judged = isWholeEntry(entry) ? judge(entry, item, derived(doc).record, app.catalogue) : null;
  return h("div.entry", {},
    h("div.row", {}, item.components.map((component) => part(doc, item, entry, component)),
      units.length > 1 ? field(said("unit"), choice(units, entry.value.unit, (unit) => {
        entry.value.unit = unit;
        place(doc, item, entry);
      })) : h("span.unit", {}, units[0][1])),
    item.sites.length ? pick(said("place"), item.sites, (id) => sites[id].label, "site") : null,
    item.states ? pick(said("state"), Object.keys(states), (id) => states[id], "state") : null,
    h("div.live", { "data-live": `${item.id}.${n}` },
      judged ? h(`p.judged.${judged.meaning}`, {}, markedMeaning(judged.meaning)) : null));
};

/** The entries of the item, each with its own time. */
export const severalEntries = (doc, item) => {
  const held = entriesOf(doc, item, null);
  const entries = held.length ? held : [fresh(item)];
  return h("div.measured", {}, entries.map((entry, n) => fields(doc, item, entry, n)),
    held.length && held.every(isWholeEntry) ? button(said("further"), () => {
      const entry = { ...fresh(item), observed_at: now() };
      place(doc, item, entry);
      app.refresh([item.id], "");
    }, { "aria-label": said("further_of", { item: item.label }) }, "button.small") : null);
};
