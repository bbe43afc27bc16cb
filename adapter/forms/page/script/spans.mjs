// Ranges in words.
import { endOf } from "./machine.mjs";
import { digitsSaid, say } from "./say.mjs";

/** As the adapter writes them: `>=30 and <=60`. */
export const spanText = ({ low, high }) => [low, high].filter(Boolean).join(" and ") || "any";

/** For people: `30 to 60`, `under 20`, `over 60, to 80`. */
export const spanWords = (band, catalogue) => {
  const [low, high] = [band.low, band.high].map((end) => end && endOf(end));
  const number = (end) => end && digitsSaid(catalogue, end.value);
  if (low && low.value === high?.value) return number(low);
  const from = low && (low.comparator === ">" ? "over" : "from");
  const to = high && (high.comparator === "<" ? "under" : "to");
  const key = [from, to].filter(Boolean).join("_");
  return say(catalogue, `page.number.${key}`, { low: number(low), high: number(high) });
};
