// What earlier exams of the newborn found, as rules ask of it: the same as adapter/derive/rules.py.
import { instant } from "./moments.mjs";
import { computedFindings } from "./computed.mjs";
import { judge } from "./judgement.mjs";

/**
 * The findings of earlier records, oldest first, each at its own time, and what was worked out then; judged by what its
 * own exam says besides and by what is known of the newborn now. Their indexes begin behind all evidence of the exam: at
 * `first`; `sources` are the captured findings that each is or was worked out from.
 */
export const foundBefore = (earlier, record, catalogue, first) => {
  const exams = earlier.map((other) => ({ ...other, newborn: record.newborn }));
  const found = exams.flatMap((own, place) => {
    const exam = own.exam.id;
    const captured = own.findings.map((given, number) => {
      const item = catalogue.items.get(given.item);
      if (!item) return null;
      const at = given.observed_at ?? (item.minutes_after_birth === undefined ? own.exam.started : undefined);
      const finding = { ...given, observed_at: at };
      const one = { finding, item, exam, number, judged: given.not_examined ? null : judge(finding, item, own, catalogue) };
      return { ...one, sources: [one] };
    });
    const made = computedFindings(own, catalogue, exams.slice(0, place)).map(({ finding: given, from, before = [], exact }) => {
      const [item, finding] = [catalogue.items.get(given.item), { ...given, observed_at: given.observed_at ?? own.exam.started }];
      const sources = [...from.map((number) => captured[number]), ...before];
      return { finding, item, exam, exact, sources, judged: judge(finding, item, own, catalogue, exact ?? null) };
    });
    return [...captured.filter(Boolean), ...made];
  });
  return found.map((one, n) => ({ ...one, index: first + n }));
};

/** The captured findings that these are or were worked out from, each once. */
export const sourcesOf = (ones) =>
  [...new Map(ones.flatMap(({ sources }) => sources).map((one) => [`${one.exam}/${one.number}`, one])).values()];

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
