// A date and a time with the offset from UTC: the device's at that moment; asked where clocks go back and it has two.
import { choice, field, h } from "./dom.mjs";
import { instant, offsetText, offsetsAt } from "./moments.mjs";
import { said } from "./said.mjs";

const minutesOf = (iso) => {
  const tail = iso.slice(-6);
  return iso.endsWith("Z") ? 0 : (tail[0] === "-" ? -1 : 1) * (+tail.slice(1, 3) * 60 + +tail.slice(4));
};

/** The field; `onvalue` hears the ISO 8601 text, or "" while the time is not whole. */
export const timeField = (words, iso, onvalue, fields = {}) => {
  const known = instant(iso) !== null;
  const place = h("span.offset", {});
  let offset = known ? minutesOf(iso) : null;
  const input = h("input", { type: "datetime-local", value: known ? iso.slice(0, 16) : "", ...fields });
  const tell = () => onvalue(input.value && offset !== null ? `${input.value.slice(0, 16)}:00${offsetText(offset)}` : "");
  const show = (offers) => {
    if (offset === null)
      return place.replaceChildren(input.value ? h("span.problem.error", { role: "alert" }, said("time.no_such")) : "");
    if (offers.length < 2) return place.replaceChildren(`UTC${offsetText(offset)}`);
    const entries = offers.map((minutes) => [String(minutes), `UTC${offsetText(minutes)}`]);
    const pick = choice(entries, String(offset), (value) => {
      offset = Number(value);
      tell();
    }, { "aria-label": said("time.offset", { what: words }) });
    return place.replaceChildren(pick, " ", said("time.which"));
  };
  input.addEventListener("input", () => {
    const offers = input.value ? offsetsAt(input.value.slice(0, 16)) : [];
    offset = offers[0] ?? null;
    show(offers);
    tell();
  });
  if (known) show(offsetsAt(iso.slice(0, 16)).includes(offset) ? offsetsAt(iso.slice(0, 16)) : [offset]);
  const whole = field(words, input);
  whole.append(place);
  return whole;
};
