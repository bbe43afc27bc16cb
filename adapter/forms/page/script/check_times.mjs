// When: nothing before birth, nothing outside the exam.
import { answerOf, kindOf } from "./catalogue.mjs";
import { fixed } from "./exact.mjs";
import { within } from "./machine.mjs";
import { hoursBetween, instant } from "./moments.mjs";
import { doubt, fault } from "./problems.mjs";

const HOUR = 3600000000n;

const between = (at, index, record) => {
  const [born, ended] = [instant(record.newborn.birth_time), instant(record.exam.ended)];
  if (born !== null && at < born)
    return [fault("before-birth", "This is before birth.", "Check date and time of both.", index)];
  if (ended !== null && at > ended)
    return [fault("after-exam", "This is after the exam ended.", "A time within the exam, or a later end.", index)];
  return [];
};

const observed = (finding, item, index, record) => {
  const [at, started] = [instant(finding.observed_at), instant(record.exam.started)];
  const wrong = between(at, index, record);
  if (wrong.length || started === null) return wrong;
  if (at < started && !item.precede && finding.method !== "history")
    return [fault("before-exam", "Observed before the exam started.", "A time within the exam.", index)];
  if (!record.exam.ended && at - started > 12n * HOUR)
    return [doubt("long-after-start", "Observed long after the exam started.", "Give the exam's end.", index)];
  return [];
};

const moments = (record, catalogue) =>
  record.findings.flatMap((finding, index) => {
    const item = catalogue.items.get(finding.item);
    const is = kindOf(finding.value) === "time" && item.type === "time";
    return [
      ...(finding.observed_at ? observed(finding, item, index, record) : []),
      ...(is ? between(instant(finding.value.time), index, record) : []),
    ];
  });

const written = ({ value, unit, comparator, plus }) =>
  JSON.stringify([value, unit, comparator ?? "", plus?.value ?? "", plus?.unit ?? ""]);

const copied = (record) => {
  const births = record.findings.filter((f) => f.item === "birth_weight" && kindOf(f.value) === "quantity");
  const born = instant(record.newborn.birth_time);
  return record.findings.flatMap((finding, index) => {
    if (finding.item !== "weight" || kindOf(finding.value) !== "quantity" || born === null) return [];
    const late = instant(finding.observed_at ?? record.exam.started) - born > 48n * HOUR;
    if (!late || !births.some((birth) => written(birth.value) === written(finding.value))) return [];
    const what = "This is the birth weight, digit for digit, more than 48 h after birth.";
    return [doubt("weight-equals-birth-weight", what, "The weight of today; keep it if it was measured.", index)];
  });
};

const asExpected = (finding, item) =>
  !finding.text && (kindOf(finding.value) !== "answer" || answerOf(item, finding.value)?.meaning === "expected");

const template = (record, catalogue) => {
  const timed = record.findings.filter((f) => f.observed_at && !f.not_examined);
  const minutes = new Set(timed.map((f) => instant(f.observed_at) / 60000000n));
  const all = timed.every((f) => asExpected(f, catalogue.items.get(f.item)));
  const what = "Many findings, all as expected, all observed in the same minute.";
  return timed.length > 40 && minutes.size === 1 && all
    ? [doubt("one-minute-for-all", what, "Was every item really looked at?", "findings")]
    : [];
};

const ageOfKind = (record, catalogue, born, started) => {
  const kind = catalogue.kinds[record.exam.kind];
  if (!kind?.age || born === null || started === null || within(hoursBetween(born, started), ...kind.age)) return [];
  const what = `${fixed(hoursBetween(born, started), 0)} hours old when this exam began: not the age of "${kind.label}".`;
  return [doubt("age-not-of-kind", what, "Check date and year of birth, the exam's start and its kind.", "birth_time")];
};

export const checkTimes = (record, catalogue) => {
  const [born, started, ended] = [record.newborn.birth_time, record.exam.started, record.exam.ended].map(instant);
  if (born !== null && started !== null && born > started)
    return [
      fault("born-after-exam", "Born after the exam started.", "Check both dates and offsets.", "birth_time"),
      ...copied(record),
      ...template(record, catalogue),
    ];
  const ends = ended !== null && started !== null && ended < started;
  return [
    ...ageOfKind(record, catalogue, born, started),
    ...(ends ? [fault("wrong-field", "The exam ended before it started.", "Check both times.", "ended")] : []),
    ...moments(record, catalogue),
    ...copied(record),
    ...template(record, catalogue),
  ];
};
