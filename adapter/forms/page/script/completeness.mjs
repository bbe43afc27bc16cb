// What an exam of its kind should cover and does not hold: not recorded, never normal.
import { sideOf } from "./catalogue.mjs";

const TYPICAL = { typical_female: "female", typical_male: "male" };

/** The sex whose items apply, or null when both sets may; what was seen goes before what is on record. */
export const typicalSex = (record) => {
  const seen = record.findings.find((f) => f.item === "genital_type" && !f.not_examined);
  if (seen) return TYPICAL[seen.value] ?? null;
  return ["female", "male"].includes(record.newborn.sex) ? record.newborn.sex : null;
};

/** Whether an item may apply to this infant. */
export const applies = (item, record) => {
  const sex = typicalSex(record);
  return !item.sex || !sex || item.sex === sex;
};

/** The gaps in the order of the exam: item, and side where only that side is missing. */
export const gapsOf = (record, catalogue) => {
  const kind = catalogue.kinds[record.exam.kind];
  if (!kind || record.exam.status === "entered-in-error") return [];
  const held = new Map();
  for (const finding of record.findings)
    held.set(finding.item, (held.get(finding.item) ?? new Set()).add(sideOf(finding, catalogue)));
  return kind.expected
    .map((id) => catalogue.items.get(id))
    .filter((item) => applies(item, record))
    .flatMap((item) => {
      const sides = held.get(item.id);
      if (!sides) return [{ item: item.id, side: null }];
      if (item.sides !== "each") return [];
      return ["left", "right"].filter((side) => !sides.has(side)).map((side) => ({ item: item.id, side }));
    });
};
