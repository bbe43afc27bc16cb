// Findings in words, for people; the same as adapter/derive/words.py.
import { answerOf, kindOf } from "./catalogue.mjs";
import { digitsSaid, foundAt, inline, listed, say } from "./say.mjs";
import { missingSigns, scoreTotal } from "./scores.mjs";
import { unitShown } from "./units.mjs";

/** What was found, without where. */
export const valueInWords = (finding, item, catalogue) => {
  const value = finding.value;
  const number = (digits) => digitsSaid(catalogue, digits);
  if (finding.not_examined) return say(catalogue, "finding.not_examined", { reason: reasonWords(finding.not_examined, catalogue) });
  if (finding.text) return finding.text;
  switch (kindOf(value)) {
    case "answer":
      return answerOf(item, value)?.label ?? value;
    case "quantities":
      return `${Object.values(value.components).map(number).join("/")}${unitShown(value.unit, catalogue)}`;
    case "score": {
      const total = item.type === "score" ? scoreTotal(value, item) : (value.total ?? null);
      return total === null
        ? say(catalogue, "finding.no_total", { missing: listed(catalogue, missingSigns(value, item, catalogue)) })
        : say(catalogue, "finding.total", { total });
    }
    case "time":
      return foundAt(catalogue, value.time);
    case "quantity": {
      const parts = [value, ...(value.plus ? [value.plus] : [])];
      const said = parts.map((part) => `${number(part.value)}${unitShown(part.unit, catalogue)}`).join(" ");
      return `${value.comparator ?? ""}${said}`;
    }
    default:
      return "";
  }
};

/** A reason for not examining, within a sentence. */
export const reasonWords = (id, catalogue) => inline(catalogue, "reasons", id, catalogue.reasons[id]?.label);

/** Of which side and place, within a sentence. */
export const placeWords = ({ side, site }, catalogue) =>
  listed(catalogue, [side && inline(catalogue, "sides", side), site && inline(catalogue, "sites", site, catalogue.sites[site]?.label)]);

/** What was looked at, with its side and place: `Femoral pulse, left`. */
export const whereInWords = (item, finding, catalogue) => listed(catalogue, [item.label, placeWords(finding, catalogue)]);

/** One finding in words: `Femoral pulse, left: weak`. */
export const inWords = (finding, item, catalogue) =>
  say(catalogue, "is", { what: whereInWords(item, finding, catalogue), value: valueInWords(finding, item, catalogue) });

/** A range with its comparators as they are written in data: `>=30 and <=60`. */
export const boundsInWords = ({ low, high }, catalogue) => {
  const [from, to] = [low, high].map((end) => end && digitsSaid(catalogue, end));
  return from && to ? say(catalogue, "range.both", { low: from, high: to }) : from || to || say(catalogue, "range.any");
};
