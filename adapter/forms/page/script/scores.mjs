// Totals of scored instruments, and what a total stands for.
import { floor, ratio } from "./exact.mjs";

/** The signs by what counts once: each by itself, those of a group together. */
export const slotsOf = (item) => {
  const found = new Map();
  for (const sign of item.signs) {
    const key = sign.group ? `group ${sign.group}` : sign.id;
    found.set(key, [...(found.get(key) ?? []), sign]);
  }
  return [...found.values()];
};

/** The labels of the signs without an answer; of a group exactly one is needed, two are too many. */
export const missingSigns = (score, item) =>
  slotsOf(item).flatMap((signs) => {
    const given = signs.filter((sign) => sign.id in (score.signs ?? {}));
    if (given.length === 1) return [];
    const label = signs.map((sign) => sign.label).join(" or ");
    return [given.length ? `only one of ${label}` : label];
  });

export const pointsOf = (item, signId, answerId) =>
  item.signs.find((sign) => sign.id === signId).answers.find(([id]) => id === answerId)[2];

/** The total as captured, else the sum where every sign was given, else null. */
export const scoreTotal = (score, item) => {
  if (score.total !== undefined && score.total !== null) return score.total;
  if (missingSigns(score, item).length) return null;
  return Object.entries(score.signs ?? {}).reduce((sum, [sign, answer]) => sum + pointsOf(item, sign, answer), 0);
};

/** The value of a total by a table of estimates, rounded down between two rows; null outside it. */
export const estimate = (table, total) => {
  for (let n = 1; n < table.rows.length; n += 1) {
    const [[low, atLow], [high, atHigh]] = [table.rows[n - 1], table.rows[n]];
    if (low <= total && total <= high)
      return atLow + Number(floor(ratio(BigInt((total - low) * (atHigh - atLow)), BigInt(high - low))));
  }
  return null;
};
