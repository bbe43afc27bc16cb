// The numbers of a finding in the item's unit, as digits; the same as adapter/derive/numbers.py.
import { kindOf } from "./catalogue.mjs";
import { scoreTotal } from "./scores.mjs";
import { amount, convert } from "./units.mjs";

/** The finding's one number in the item's unit (a score's total), or null. */
export const numberOf = (finding, item, catalogue) => {
  const kind = kindOf(finding.value);
  if (kind === "quantity" && item.type === "quantity" && item.unit) return amount(finding.value, item, catalogue);
  const total = kind === "score" ? scoreTotal(finding.value, item) : null;
  return total === null ? null : String(total);
};

/** The numbers of a measurement that has several, in the item's unit. */
export const componentNumbers = (value, item, catalogue) =>
  Object.fromEntries(
    Object.entries(value.components).map(([id, digits]) => [
      id, convert({ value: digits, unit: value.unit }, item.unit ?? value.unit, catalogue),
    ]),
  );
