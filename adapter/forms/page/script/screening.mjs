// The oxygen saturation screen by the version that the site has chosen; the same as adapter/derive/screening.py.
import { compare, exact, less } from "./exact.mjs";
import { kindOf } from "./catalogue.mjs";
import { ageHours } from "./age.mjs";
import { byTime, earlierOf, takenOf } from "./taken.mjs";
import { unjudgedBecause } from "./judgement.mjs";

const GRAVER = ["pass", "repeat_in_1h", "fail"];

const atLeast = (a, b) => compare(a, exact(String(b))) >= 0;

const passes = ([one, other], rule) => {
  const high = [one, other].map((reading) => atLeast(reading, rule.pass_from));
  const gap = compare(one, other) > 0 ? less(one, other) : less(other, one);
  const enough = rule.places === "either" ? high.some(Boolean) : high.every(Boolean);
  return enough && compare(gap, exact(String(rule.difference))) <= 0;
};

/** The outcome of attempts (pairs of readings) in the order of time; null while none is complete. */
export const outcomeOf = (attempts, rule) => {
  let outcome = null;
  let tried = 0;
  for (const readings of attempts) {
    if (readings.some((reading) => !atLeast(reading, rule.fail_below))) return "fail";
    if (readings.length < 2) continue;
    if (passes(readings, rule)) {
      [outcome, tried] = ["pass", 0];
      continue;
    }
    tried += 1;
    if (tried >= rule.attempts) return "fail";
    outcome = "repeat_in_1h";
  }
  return outcome;
};

const readingsOf = (finding) =>
  ["preductal", "postductal"].map((id) => finding.value.components[id]).filter((d) => d !== undefined).map(exact);

/** The result that the readings captured here and in earlier exams give, with what it rests on; null where they give none. */
export const resultOf = (record, catalogue, earlier = []) => {
  const rule = catalogue.screening;
  const item = catalogue.items.get(rule.readings);
  const quantities = ({ finding }) => kindOf(finding.value) === "quantities";
  const here = takenOf(record, rule.readings, catalogue).filter(quantities);
  if (!here.length) return null;
  const taken = [...earlierOf(earlier, rule.readings, catalogue).filter(quantities), ...here].sort(byTime);
  const due = taken.filter((one) => atLeast(ageHours(record, one.at), rule.from_hours));
  const failing = (one) => outcomeOf([readingsOf(one.finding)], rule) === "fail";
  const counted = taken.filter((one) => due.includes(one) || failing(one));
  const outcome = outcomeOf(counted.map((one) => readingsOf(one.finding)), rule);
  if (outcome === null || (outcome !== "fail" && here.some(({ finding }) => unjudgedBecause(finding, item, record, catalogue))))
    return null;
  return { outcome, counted, here };
};

/** The computed result, where nobody captured one that is as grave. */
export const screened = (record, catalogue, earlier = []) => {
  const rule = catalogue.screening;
  const result = resultOf(record, catalogue, earlier);
  if (!result) return [];
  const captured = record.findings.filter((f) => f.item === rule.item).map((f) => f.value);
  if (captured.some((value) => GRAVER.indexOf(value) >= GRAVER.indexOf(result.outcome))) return [];
  const last = result.counted.at(-1);
  const observed = last.exam ? {} : { observed_at: last.finding.observed_at ?? record.exam.started };
  const own = result.counted.filter((one) => !one.exam);
  const from = (own.length ? own : result.here).map((one) => one.index);
  const before = result.counted.filter((one) => one.exam);
  return [{ finding: { item: rule.item, value: result.outcome, ...observed }, from, before, maker: rule.id }];
};
