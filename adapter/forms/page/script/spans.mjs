// Ranges in words.
import { endOf } from "./machine.mjs";

/** As the adapter writes them: `>=30 and <=60`. */
export const spanText = ({ low, high }) => [low, high].filter(Boolean).join(" and ") || "any";

/** For people: `30 to 60`, `under 20`, `over 60, to 80`. */
export const spanWords = (band) => {
  const [low, high] = [band.low && endOf(band.low), band.high && endOf(band.high)];
  const from = low && (low.comparator === ">" ? `over ${low.value}` : low.value);
  const to = high && (high.comparator === "<" ? `under ${high.value}` : high.value);
  if (!low) return high.comparator === "<" ? to : `to ${to}`;
  if (!high) return low.comparator === ">" ? from : `from ${from}`;
  if (low.value === high.value) return low.value;
  return `${from}${low.comparator === ">" ? "," : ""} to ${to}`;
};
