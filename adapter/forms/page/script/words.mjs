// Findings in words, for people; the same as adapter/derive/words.py.
import { answerOf, kindOf } from "./catalogue.mjs";
import { toTheMinute } from "./moments.mjs";
import { missingSigns, scoreTotal } from "./scores.mjs";
import { unitShown } from "./units.mjs";

/** What was found, without where. */
export const valueInWords = (finding, item, catalogue) => {
  const value = finding.value;
  if (finding.not_examined)
    return `not examined (${(catalogue.reasons[finding.not_examined]?.label ?? finding.not_examined).toLowerCase()})`;
  if (finding.text) return finding.text;
  switch (kindOf(value)) {
    case "answer":
      return answerOf(item, value)?.label ?? value;
    case "quantities":
      return `${Object.values(value.components).join("/")}${unitShown(value.unit, catalogue)}`;
    case "score": {
      const total = item.type === "score" ? scoreTotal(value, item) : (value.total ?? null);
      return total === null ? `no total, without ${missingSigns(value, item).join(", ")}` : `total ${total}`;
    }
    case "time":
      return toTheMinute(value.time);
    case "quantity": {
      const parts = [value, ...(value.plus ? [value.plus] : [])];
      const said = parts.map((part) => `${part.value}${unitShown(part.unit, catalogue)}`).join(" ");
      return `${value.comparator ?? ""}${said}`;
    }
    default:
      return "";
  }
};

/** One finding in words: `Femoral pulse, left: weak`. */
export const inWords = (finding, item, catalogue) => {
  const where = [item.label];
  if (finding.side) where.push(finding.side);
  if (finding.site) where.push((catalogue.sites[finding.site]?.label ?? finding.site).toLowerCase());
  return `${where.join(", ")}: ${valueInWords(finding, item, catalogue)}`;
};
