// A finding that is a moment: the first urine, the first stool.
import { button, h } from "./dom.mjs";
import { app, commit } from "./state.mjs";
import { entriesOf, placeEntry } from "./entry.mjs";
import { now } from "./moments.mjs";
import { said } from "./said.mjs";
import { timeField } from "./time_field.mjs";

/** The moment. */
export const timeEntry = (doc, item) => {
  const entry = entriesOf(doc, item, null)[0] ?? { item: item.id, value: { time: "" } };
  const put = (iso, fresh) => {
    commit(doc, item.label, () => {
      entry.value = { time: iso };
      placeEntry(doc, entry, app.catalogue);
    }, { same: item.id, items: [item.id] });
    if (fresh) app.refresh([item.id], item.label);
  };
  return h("div.row", {},
    timeField(said("time.when", { item: item.label }), entry.value.time, (iso) => put(iso, false), { "data-focus": `${item.id}.time` }),
    button(said("now"), () => put(now(), true), { "aria-label": said("time.now", { item: item.label }) }, "button.small"));
};
