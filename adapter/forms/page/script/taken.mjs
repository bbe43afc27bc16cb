// What was measured of one item, here and in earlier exams of the newborn, each at its own time.
import { madeAt } from "./age.mjs";

/** The findings of an item, each with its index and when it was made. */
export const takenOf = (record, id, catalogue) =>
  record.findings.flatMap((finding, index) =>
    finding.item === id ? [{ finding, index, at: madeAt(finding, catalogue.items.get(id), record) }] : []);

/** The same of earlier records, each with the exam that it is of. */
export const earlierOf = (earlier, id, catalogue) =>
  earlier.flatMap((other) =>
    takenOf(other, id, catalogue).map((one) => ({ ...one, item: catalogue.items.get(id), exam: other.exam.id, number: one.index })));

/** In the order of time; of one moment what an earlier exam has, then in the order recorded. */
export const byTime = (a, b) => {
  if (a.at !== b.at) return a.at < b.at ? -1 : 1;
  return Number(!a.exam) - Number(!b.exam) || a.index - b.index;
};
