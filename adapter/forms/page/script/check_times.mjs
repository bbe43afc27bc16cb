// When: nothing before birth, nothing outside the exam.
import { answerOf, kindOf } from "./catalogue.mjs";
import { fixed } from "./exact.mjs";
import { within } from "./machine.mjs";
import { hoursBetween, instant } from "./moments.mjs";
import { doubt, fault } from "./problems.mjs";

const HOUR = 3600000000n;

const between = (at, index, record, catalogue) => {
  const [born, ended] = [instant(record.newborn.birth_time), instant(record.exam.ended)];
  if (born !== null && at < born) return [fault(catalogue, "before-birth", index)];
  return ended !== null && at > ended ? [fault(catalogue, "after-exam", index)] : [];
};

const longAfter = (at, index, record, catalogue) => {
  const started = instant(record.exam.started);
  const long = started !== null && !record.exam.ended && at - started > 12n * HOUR;
  return long ? [doubt(catalogue, "long-after-start", index)] : [];
};

const observed = (finding, item, index, record, catalogue) => {
  const [at, started] = [instant(finding.observed_at), instant(record.exam.started)];
  const wrong = between(at, index, record, catalogue);
  if (wrong.length || started === null) return wrong;
  if (at < started && !item.precede && finding.method !== "history")
    return [fault(catalogue, "before-exam", index)];
  return longAfter(at, index, record, catalogue);
};

const happened = (at, index, record, catalogue) => {
  const wrong = between(at, index, record, catalogue);
  return wrong.length ? wrong : longAfter(at, index, record, catalogue);
};

const moments = (record, catalogue) =>
  record.findings.flatMap((finding, index) => {
    const item = catalogue.items.get(finding.item);
    const is = kindOf(finding.value) === "time" && item.type === "time";
    return [
      ...(finding.observed_at ? observed(finding, item, index, record, catalogue) : []),
      ...(is ? happened(instant(finding.value.time), index, record, catalogue) : []),
    ];
  });

const written = ({ value, unit, comparator, plus }) =>
  JSON.stringify([value, unit, comparator ?? "", plus?.value ?? "", plus?.unit ?? ""]);

const copied = (record, catalogue) => {
  const births = record.findings.filter((f) => f.item === "birth_weight" && kindOf(f.value) === "quantity");
  const born = instant(record.newborn.birth_time);
  return record.findings.flatMap((finding, index) => {
    if (finding.item !== "weight" || kindOf(finding.value) !== "quantity" || born === null) return [];
    const late = instant(finding.observed_at ?? record.exam.started) - born > 48n * HOUR;
    const same = births.some((birth) => written(birth.value) === written(finding.value));
    return late && same ? [doubt(catalogue, "weight-equals-birth-weight", index)] : [];
  });
};

const asExpected = (finding, item) =>
  !finding.text && (kindOf(finding.value) !== "answer" || answerOf(item, finding.value)?.meaning === "expected");

const template = (record, catalogue) => {
  const timed = record.findings.filter((f) => f.observed_at && !f.not_examined);
  const minutes = new Set(timed.map((f) => instant(f.observed_at) / 60000000n));
  const all = timed.every((f) => asExpected(f, catalogue.items.get(f.item)));
  return timed.length > 40 && minutes.size === 1 && all ? [doubt(catalogue, "one-minute-for-all", "findings")] : [];
};

const ageOfKind = (record, catalogue, born, started) => {
  const kind = catalogue.kinds[record.exam.kind];
  if (!kind?.age || born === null || started === null || within(hoursBetween(born, started), ...kind.age)) return [];
  const parts = { hours: fixed(hoursBetween(born, started), 0), kind: kind.label };
  return [doubt(catalogue, "age-not-of-kind", "birth_time", parts)];
};

export const checkTimes = (record, catalogue) => {
  const [born, started, ended] = [record.newborn.birth_time, record.exam.started, record.exam.ended].map(instant);
  if (born !== null && started !== null && born > started)
    return [
      fault(catalogue, "born-after-exam", "birth_time"),
      ...copied(record, catalogue),
      ...template(record, catalogue),
    ];
  const ends = ended !== null && started !== null && ended < started;
  return [
    ...ageOfKind(record, catalogue, born, started),
    ...(ends ? [fault(catalogue, "wrong-field", "ended", {}, "ended")] : []),
    ...moments(record, catalogue),
    ...copied(record, catalogue),
    ...template(record, catalogue),
  ];
};
