// What a finding means and how soon to tell: an answer by its meaning, a number by the range in force.
// The same as adapter/derive/judgement.py; tests/page holds the two against each other.
import { URGENCIES, answerOf, kindOf, siteOf } from "./catalogue.mjs";
import { exact } from "./exact.mjs";
import { instant } from "./moments.mjs";
import { amount, convert } from "./units.mjs";
import { ageHours, gestationWeeks, madeAt } from "./age.mjs";
import { cover, holds, inside, meet } from "./spans.mjs";
import { scoreTotal } from "./scores.mjs";

/** How urgent, as a number to compare by. */
export const rank = (urgency) => URGENCIES.indexOf(urgency ?? "none");

/** The most urgent of several. */
export const worst = (...urgencies) => URGENCIES[Math.max(0, ...urgencies.map(rank))];

/** The finding's one number in the item's unit as digits (a score's total), or null. */
export const numberOf = (finding, item, catalogue) => {
  const kind = kindOf(finding.value);
  if (kind === "quantity" && item.type === "quantity" && item.unit) return amount(finding.value, item, catalogue);
  if (kind === "score") {
    const total = scoreTotal(finding.value, item);
    return total === null ? null : String(total);
  }
  return null;
};

/** The numbers of a measurement that has several, in the item's unit. */
export const componentNumbers = (value, item, catalogue) =>
  Object.fromEntries(
    Object.entries(value.components).map(([id, digits]) => [
      id, convert({ value: digits, unit: value.unit }, item.unit ?? value.unit, catalogue),
    ]),
  );

const conditionHolds = (when, finding, item, record) => {
  if (when.states && !when.states.includes(finding.state)) return false;
  if (when.sites && !when.sites.includes(siteOf(finding, item))) return false;
  if (when.methods && !when.methods.includes(finding.method ?? item.method)) return false;
  if (when.sex && record.newborn.sex !== when.sex) return false;
  if (when.age_hours && !holds(when.age_hours, ageHours(record, madeAt(finding, item, record)))) return false;
  if (when.gestation_weeks) {
    const weeks = gestationWeeks(record);
    return weeks !== null && holds(when.gestation_weeks, weeks);
  }
  return true;
};

/** The item's ranges whose conditions hold for this finding, in their order. */
export const applicable = (finding, item, record, component) =>
  item.ranges.filter((band) => band.component === component && conditionHolds(band.when, finding, item, record));

const ofBand = (band) => ({ meaning: band.meaning, urgency: band.urgency, flag: band.flag, band });

const byRange = (number, component, finding, item, record) => {
  const band = applicable(finding, item, record, component).find((one) => holds(one, number));
  return band ? ofBand(band) : null;
};

const byOpenEnd = (digits, comparator, bands) => {
  const end = { comparator, value: digits };
  const allowed = comparator[0] === "<" ? { low: null, high: end } : { low: end, high: null };
  const touched = bands.filter((band) => meet(allowed, band));
  const whole = touched.find((band) => inside(allowed, band));
  if (whole && whole === touched[0]) return ofBand(whole);
  if (touched.every((band) => band.meaning === "abnormal") && cover(touched, allowed))
    return ofBand(touched.reduce((least, band) => (rank(band.urgency) < rank(least.urgency) ? band : least)));
  return null;
};

const unmarked = (finding, item, record, catalogue, unrounded) => {
  const kind = kindOf(finding.value);
  if (kind === "answer") {
    const answer = answerOf(item, finding.value);
    const flag = answer?.meaning === "abnormal" ? "A" : "N";
    return answer ? { meaning: answer.meaning, urgency: answer.urgency, flag, band: null } : null;
  }
  if (kind === "quantities") {
    const parts = Object.entries(componentNumbers(finding.value, item, catalogue))
      .map(([id, digits]) => byRange(exact(digits), id, finding, item, record))
      .filter(Boolean);
    return parts.reduce((most, part) => (!most || rank(part.urgency) > rank(most.urgency) ? part : most), null);
  }
  if (kind === "time")
    return byRange(ageHours(record, instant(finding.value.time)), undefined, finding, item, record);
  const digits = numberOf(finding, item, catalogue);
  if (!unrounded && digits === null) return null;
  if (kind === "quantity" && finding.value.comparator)
    return byOpenEnd(digits, finding.value.comparator, applicable(finding, item, record));
  return byRange(unrounded ?? exact(digits), undefined, finding, item, record);
};

/** The judgement on one finding, or null; the examiner's own urgency raises what the catalogue says. */
export const judge = (finding, item, record, catalogue, unrounded = null) => {
  const judged = unmarked(finding, item, record, catalogue, unrounded);
  if (!finding.urgency || finding.not_examined) return judged;
  if (!judged) return { meaning: "abnormal", urgency: finding.urgency, flag: "A", band: null };
  return { ...judged, urgency: worst(judged.urgency, finding.urgency) };
};
