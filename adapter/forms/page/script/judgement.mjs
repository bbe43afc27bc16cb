// What a finding means and how soon to tell: an answer by its meaning, a number by the range in force.
// The same as adapter/derive/judgement.py, by the same tables.
import { URGENCIES, answerOf, kindOf } from "./catalogue.mjs";
import { compare, exact, less, over, plus, ratio } from "./exact.mjs";
import { instant } from "./moments.mjs";
import { ageHours } from "./age.mjs";
import { endOf, every, heldBy, within } from "./machine.mjs";
import { componentNumbers, numberOf } from "./numbers.mjs";
import { clauses, inline, listed, say } from "./say.mjs";

/** How urgent, as a number to compare by. */
export const rank = (urgency) => URGENCIES.indexOf(urgency ?? "none");

/** The most urgent of several. */
export const worst = (...urgencies) => URGENCIES[Math.max(0, ...urgencies.map(rank))];

/** The item's ranges whose conditions hold for this finding, in their order. */
export const applicable = (finding, item, record, catalogue, component = "") =>
  item.ranges.filter((band) => band.component === component && every(band.tests, { finding, item }, record, catalogue));

const first = (bands, number) => bands.find((band) => within(number, band.low, band.high)) ?? null;

/** Of the ranges those that some number falls to: the first that holds it decides. `allowed` keeps to some numbers. */
export const deciding = (bands, ends = [], allowed = () => true) => {
  if (!bands.length) return { bands, gaps: true };
  const all = [...ends, ...bands.flatMap((band) => [band.low, band.high]).filter(Boolean).map((end) => endOf(end).value)];
  const ordered = all.map(exact).sort(compare);
  const one = ratio(1n);
  const between = ordered.slice(1).map((high, n) => over(plus(ordered[n], high), ratio(2n)));
  const samples = [less(ordered[0], one), ...ordered, ...between, plus(ordered.at(-1), one)];
  const found = new Set(samples.filter(allowed).map((number) => first(bands, number)));
  return { bands: bands.filter((band) => found.has(band)), gaps: found.has(null) };
};

const ofBand = (band) => band && { meaning: band.meaning, urgency: band.urgency, flag: band.flag, band };

/** Why no range may say that this finding is expected; null where one may. */
export const unjudgedBecause = (finding, item, record, catalogue) => {
  const pool = () => record.findings.map((one, index) => ({ finding: one, item: catalogue.items.get(one.item), judged: null, index }));
  const found = catalogue.notJudged.find(({ items, but, tests, steps }) =>
    (items ? items.includes(item.id) : !(but ?? []).includes(item.id)) &&
    every(tests ?? [], { finding, item }, record, catalogue) && (!steps || heldBy(steps, pool(), record, catalogue)));
  return found?.label ?? null;
};

const unless = (judged, finding, item, record, catalogue) => {
  if (!judged || judged.meaning === "abnormal" || judged.urgency !== "none") return judged;
  return unjudgedBecause(finding, item, record, catalogue) === null ? judged : null;
};

const byRange = (number, component, finding, item, record, catalogue) =>
  unless(ofBand(first(applicable(finding, item, record, catalogue, component), number)), finding, item, record, catalogue);

const byOpenEnd = (digits, comparator, bands) => {
  const end = `${comparator}${digits}`;
  const ends = comparator[0] === "<" ? ["", end] : [end, ""];
  const found = deciding(bands, [digits], (number) => within(number, ...ends));
  if (found.gaps || (found.bands.length > 1 && found.bands.some((band) => band.meaning !== "abnormal"))) return null;
  return ofBand(found.bands.reduce((least, band) => (rank(band.urgency) < rank(least.urgency) ? band : least)));
};

/** The judgement on an answer; of one that is not true of this infant, that on what it counts as. */
const byAnswer = (finding, item, record, catalogue) => {
  let given = finding.value;
  for (let seen; (seen = item.true_of?.[given]) && !every(seen[1], { finding, item }, record, catalogue);) given = seen[0];
  if (given === "") return { meaning: "abnormal", urgency: "tell", flag: "A", band: null, counted: "" };
  const answer = answerOf(item, given);
  const flag = answer?.meaning === "abnormal" ? "A" : "N";
  const counted = given === finding.value ? null : given;
  return answer ? { meaning: answer.meaning, urgency: answer.urgency, flag, band: null, counted } : null;
};

/** What an answer that is not true of this infant was judged as, in words; null where it is as it was given. */
export const judgedAs = (finding, item, judged, catalogue, form = "") => {
  const counted = judged?.counted ?? null;
  if (counted === null) return null;
  const other = answerOf(item, counted);
  const label = answerOf(item, finding.value)?.label ?? finding.value;
  const parts = { other: other?.label ?? "", answer: label };
  return say(catalogue, `judged.${other ? "as_answer" : "as_abnormal"}${form}`, parts);
};

const unmarked = (finding, item, record, catalogue, unrounded) => {
  const kind = kindOf(finding.value);
  if (kind === "answer") return byAnswer(finding, item, record, catalogue);
  if (kind === "quantities") {
    const all = Object.entries(componentNumbers(finding.value, item, catalogue))
      .map(([id, digits]) => byRange(exact(digits), id, finding, item, record, catalogue));
    const parts = all.filter(Boolean);
    if (parts.length < all.length && parts.every((part) => part.meaning !== "abnormal")) return null;
    return parts.reduce((most, part) => (!most || rank(part.urgency) > rank(most.urgency) ? part : most), null);
  }
  if (kind === "time") return byRange(ageHours(record, instant(finding.value.time)), "", finding, item, record, catalogue);
  const digits = numberOf(finding, item, catalogue);
  if (!unrounded && digits === null) return null;
  if (kind === "quantity" && finding.value.comparator) {
    const judged = byOpenEnd(digits, finding.value.comparator, applicable(finding, item, record, catalogue));
    return unless(judged, finding, item, record, catalogue);
  }
  return byRange(unrounded ?? exact(digits), "", finding, item, record, catalogue);
};

/** The judgement on one finding, or null; the examiner's own urgency raises what the catalogue says. */
export const judge = (finding, item, record, catalogue, unrounded = null) => {
  const judged = unmarked(finding, item, record, catalogue, unrounded);
  if (!finding.urgency || finding.not_examined) return judged;
  if (!judged) return { meaning: "abnormal", urgency: finding.urgency, flag: "A", band: null };
  return { ...judged, urgency: worst(judged.urgency, finding.urgency) };
};

/** Why a finding that was examined has no judgement; null where it has one, or something else judges it. */
export const notJudged = (finding, item, record, catalogue) => {
  const { value } = finding;
  const kind = kindOf(value);
  if (finding.not_examined || kind === "answer" || finding.urgency) return null;
  if (!kind) return item.computed ? null : say(catalogue, "unjudged.in_words");
  if (judge(finding, item, record, catalogue) || catalogue.judgedElsewhere.has(item.id)) return null;
  if (!item.ranges.length) return say(catalogue, "unjudged.no_range");
  const reason = unjudgedBecause(finding, item, record, catalogue);
  if (reason !== null) return reason;
  if (item.chart) return say(catalogue, "unjudged.chart");
  if (kind === "quantities") {
    const numbers = Object.entries(componentNumbers(value, item, catalogue));
    const missed = numbers.filter(([id, digits]) => !byRange(exact(digits), id, finding, item, record, catalogue));
    const labels = missed.map(([id]) => inline(catalogue, "components", `${item.id}.${id}`, item.components.find((part) => part.id === id)?.label));
    return say(catalogue, "unjudged.part", { parts: listed(catalogue, labels) });
  }
  if (kind === "score" && numberOf(finding, item, catalogue) === null) return say(catalogue, "unjudged.no_total");
  if (value.comparator) return say(catalogue, "unjudged.open_end");
  return say(catalogue, "unjudged.value");
};

/** The same of one of all evidence, with why a site's table by the hour says nothing of it. */
export const whyNot = (one, record, catalogue) => {
  const reason = one.judged ? null : notJudged(one.finding, one.item, record, catalogue);
  return reason ? clauses(catalogue, [one.withheld, reason]) : reason;
};
