// Totals of scored instruments, and what a total stands for.
import { floor, ratio } from "./exact.mjs";
import { say } from "./say.mjs";

/** The signs by what counts once: each by itself, those of a group together. */
export const slotsOf = (item) => {
  const found = new Map();
  for (const sign of item.signs) {
    const key = sign.group ? `group ${sign.group}` : sign.id;
    found.set(key, [...(found.get(key) ?? []), sign]);
  }
  return [...found.values()];
};

const givenOf = (signs, score) => signs.filter((sign) => sign.id in (score.signs ?? {}));

/** What counts once and was not given once: of a group exactly one is needed, two are too many. */
const missingSlots = (score, item) => slotsOf(item).filter((signs) => givenOf(signs, score).length !== 1);

/** The labels of the signs without an answer. */
export const missingSigns = (score, item, catalogue) =>
  missingSlots(score, item).map((signs) => {
    const label = signs.map((sign) => sign.label).join(say(catalogue, "either"));
    return givenOf(signs, score).length ? say(catalogue, "finding.one_of", { signs: label }) : label;
  });

export const pointsOf = (item, signId, answerId) =>
  item.signs.find((sign) => sign.id === signId).answers.find(([id]) => id === answerId)[2];

/** The total as captured, else the sum where every sign was given, else null. */
export const scoreTotal = (score, item) => {
  if (score.total !== undefined && score.total !== null) return score.total;
  if (missingSlots(score, item).length) return null;
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
