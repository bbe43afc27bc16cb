// A finding that is a moment: the first urine, the first stool. Four digits are enough where only one day since birth
// can be meant; where several can, the day is asked and never guessed.
import { button, field, h } from "./dom.mjs";
import { app, commit } from "./state.mjs";
import { entriesOf, placeEntry } from "./entry.mjs";
import { momentsAt, now } from "./moments.mjs";
import { moment, said } from "./said.mjs";
import { leadOn } from "./card_number.mjs";
import { timeField } from "./time_field.mjs";

/** Hour and minute in four digits; `use` hears the moment since birth that they name. */
const clockField = (doc, item, iso, use) => {
  const days = h("div.chips", { role: "alert" });
  const show = (event) => {
    const digits = event.target.value.replace(/\D/g, "");
    days.replaceChildren();
    if (digits.length !== 4) return;
    const found = momentsAt(digits, doc.record.newborn.birth_time, now());
    if (found.length === 1) {
      use(found[0]);
      leadOn(event);
    } else if (!found.length) days.replaceChildren(h("span.problem.error", {}, said("time.not_since_birth")));
    else days.replaceChildren(said("time.which_day"), ...found.map((one) => button(moment(one), () => {
      days.replaceChildren();
      use(one);
    }, {}, "button.chip")));
  };
  const input = h("input.number", {
    type: "text", inputmode: "numeric", autocomplete: "off", maxlength: "5", value: iso.slice(11, 16).replace(":", ""),
    "data-focus": `${item.id}.digits`, oninput: show,
  });
  return h("div", {}, field(said("time.digits", { item: item.label }), input), days);
};

/** The moment. */
export const timeEntry = (doc, item) => {
  const entry = entriesOf(doc, item, null)[0] ?? { item: item.id, value: { time: "" } };
  const put = (iso) =>
    commit(doc, item.label, () => {
      entry.value = { time: iso };
      placeEntry(doc, entry, app.catalogue);
    }, { same: item.id, items: [item.id] });
  const whole = (iso) => timeField(said("time.when", { item: item.label }), iso, put, { "data-focus": `${item.id}.time` });
  const place = h("div", {}, whole(entry.value.time));
  return h("div.row", {},
    clockField(doc, item, entry.value.time, (iso) => {
      put(iso);
      place.replaceChildren(whole(iso));
    }),
    place,
    button(said("now"), () => {
      put(now());
      app.refresh([item.id], item.label);
    }, { "aria-label": said("time.now", { item: item.label }) }, "button.small"));
};
