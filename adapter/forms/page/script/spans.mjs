// Spans between two ends with their comparators, and what is sure of all numbers that lie in one.
import { compare, exact } from "./exact.mjs";

const HOLDS = { ">": (c) => c > 0, ">=": (c) => c >= 0, "<": (c) => c < 0, "<=": (c) => c <= 0 };

const endHolds = (end, number) => HOLDS[end.comparator](compare(number, exact(end.value)));

/** Whether a number (a fraction) lies within. */
export const holds = (span, number) =>
  (!span.low || endHolds(span.low, number)) && (!span.high || endHolds(span.high, number));

/** `>=30 and <=60` */
export const spanText = (span) => [span.low, span.high].filter(Boolean).map((end) => end.text).join(" and ") || "any";

/** For people: `30 to 60`, `under 20`, `over 60, to 80`. */
export const spanWords = ({ low, high }) => {
  const from = low && (low.comparator === ">" ? `over ${low.value}` : `${low.value}`);
  const to = high && (high.comparator === "<" ? `under ${high.value}` : `${high.value}`);
  if (!low) return high.comparator === "<" ? to : `to ${to}`;
  if (!high) return low.comparator === ">" ? from : `from ${from}`;
  if (low.value === high.value) return low.value;
  return `${from}${low.comparator === ">" ? "," : ""} to ${to}`;
};

const reaches = (high, low) => {
  if (!high || !low) return true;
  const c = compare(exact(high.value), exact(low.value));
  return c > 0 || (c === 0 && high.comparator === "<=" && low.comparator === ">=");
};

/** Whether some number lies in both. */
export const meet = (one, other) => reaches(one.high, other.low) && reaches(other.high, one.low);

const tighter = (inner, outer, way) => {
  const c = compare(exact(inner.value), exact(outer.value));
  return c !== 0 ? c * way > 0 : outer.comparator.includes("=") || !inner.comparator.includes("=");
};

/** Whether all numbers of the inner span lie in the outer one. */
export const inside = (inner, outer) =>
  (!outer.low || (inner.low && tighter(inner.low, outer.low, 1))) &&
  (!outer.high || (inner.high && tighter(inner.high, outer.high, -1)));

const adjoin = (high, low) => {
  if (!high || !low) return true;
  const c = compare(exact(high.value), exact(low.value));
  return c > 0 || (c === 0 && (high.comparator.includes("=") || low.comparator.includes("=")));
};

/** Whether every number of the span lies in one of the bands. */
export const cover = (bands, span) => {
  if (!bands.length) return false;
  const ordered = [...bands].sort((a, b) => {
    if (!a.low || !b.low) return (a.low ? 1 : 0) - (b.low ? 1 : 0);
    return compare(exact(a.low.value), exact(b.low.value));
  });
  const ends = { low: ordered[0].low, high: ordered.at(-1).high };
  return inside(span, ends) && ordered.slice(1).every((band, n) => adjoin(ordered[n].high, band.low));
};
