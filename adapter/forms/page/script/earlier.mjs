// What earlier exams of the newborn found, as rules ask of it: the same as adapter/derive/rules.py.
import { instant } from "./moments.mjs";
import { judge } from "./judgement.mjs";

/**
 * The findings of earlier records, oldest first, each at its own time; judged by what its own exam says besides and by
 * what is known of the newborn now. Their indexes begin behind all evidence of the exam: at `first`.
 */
export const foundBefore = (earlier, record, catalogue, first) => {
  const found = earlier.flatMap((other) => {
    const own = { ...other, newborn: record.newborn };
    return other.findings.filter((finding) => catalogue.items.has(finding.item)).map((given) => {
      const item = catalogue.items.get(given.item);
      const at = given.observed_at ?? (item.minutes_after_birth === undefined ? other.exam.started : undefined);
      const finding = { ...given, observed_at: at };
      return { finding, item, exam: other.exam.id, judged: given.not_examined ? null : judge(finding, item, own, catalogue) };
    });
  });
  return found.map((one, n) => ({ ...one, index: first + n }));
};

const root = ({ first, amends, id }) => first ?? amends ?? id;
const names = (record) => new Set(record.newborn.identifiers.map(({ system, value }) => `${system}|${value}`));

/** Those of the records that are earlier exams of this one's newborn and count: the last version of each. */
export const earlierRecords = (records, record) => {
  const ids = names(record);
  const amended = new Set(records.map(({ exam }) => exam.amends).filter(Boolean));
  return records
    .filter((other) => [...names(other)].some((id) => ids.has(id)))
    .filter(({ exam }) => root(exam) !== root(record.exam) && !amended.has(exam.id) && exam.status !== "entered-in-error")
    .filter(({ exam }) => instant(exam.started) <= instant(record.exam.started))
    .sort((a, b) => Number(instant(a.exam.started) - instant(b.exam.started)));
};
