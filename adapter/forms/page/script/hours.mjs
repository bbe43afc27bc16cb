// Bilirubin against the site's own lines by the hour of life; the same as adapter/derive/hours.py, by the same tables.
import { kindOf } from "./catalogue.mjs";
import { compare, exact, fixed, less, over, plus, short, times } from "./exact.mjs";
import { hoursBetween, instant } from "./moments.mjs";
import { madeAt } from "./age.mjs";
import { every, heldBy } from "./machine.mjs";
import { amount, unitOf, unitShown } from "./units.mjs";
import { inWords } from "./words.mjs";

/** The item of what the tables say. */
export const LINE = "bilirubin_line";

const group = (table, record, catalogue) => {
  if (!table.risks) return { place: 0, words: [] };
  const pool = record.findings.map((finding, index) => ({ finding, item: catalogue.items.get(finding.item), judged: null, index }));
  const place = table.risks.findIndex(([, steps]) => steps.length && heldBy(steps, pool, record, catalogue));
  if (place >= 0) return { place, words: [table.risks[place][0]] };
  return { place: 0, words: [`what decides the risk is not recorded, so that the lines are those '${table.risks[0][0]}'`] };
};

const curve = (table, place, record) => {
  const weeks = record.newborn.gestation?.weeks ?? null;
  if (weeks === null) return { why: "the gestation at birth is not known" };
  const block = table.blocks.find(([from, to, of]) => from <= weeks && (to === null || weeks <= to) && of === place);
  if (block) return { block };
  const first = Math.min(...table.blocks.map(([from]) => from));
  const ends = table.blocks.map(([, to]) => to);
  const to = ends.includes(null) ? `${first} and more` : `${first} to ${Math.max(...ends)}`;
  return { why: `${weeks} weeks of gestation lie outside its table, ${to}` };
};

const linesAt = (rows, hour, table) => {
  const [first, last] = [rows[0][0], rows.at(-1)[0]];
  if (compare(hour, exact(first)) < 0 || compare(hour, exact(last)) > 0)
    return { why: `the sample of ${short(hour, 1)} h of life lies outside its table, ${first} to ${last} h` };
  const place = rows.findLastIndex(([from]) => compare(exact(from), hour) <= 0);
  const [from, ...low] = rows[place].map(exact);
  if (!rows[place + 1] || !table.straight) return { values: low };
  const [to, ...high] = rows[place + 1].map(exact);
  const part = over(less(hour, from), less(to, from));
  return { values: low.map((value, n) => plus(value, times(less(high[n], value), part))) };
};

/** The place of the highest line that the value is surely on or over, -1 under all, null where that cannot be said. */
const reached = (value, comparator, values) => {
  const highest = values.findLastIndex((line) => compare(line, value) <= 0);
  if (!comparator) return highest;
  const lowest = compare(value, values[0]);
  if (comparator[0] === "<") return lowest < 0 || (lowest === 0 && comparator === "<") ? -1 : null;
  return highest >= 0 ? highest : null;
};

const placed = (table, finding, item, index, record, catalogue) => {
  const { place, words } = group(table, record, catalogue);
  const { block, why: ofWeeks } = curve(table, place, record);
  if (ofWeeks) return { why: ofWeeks };
  const hour = hoursBetween(instant(record.newborn.birth_time), madeAt(finding, item, record));
  const { values, why: ofHours } = linesAt(block[3], hour, table);
  if (ofHours) return { why: ofHours };
  const digits = amount(finding.value, { ...item, unit: table.unit }, catalogue);
  const at = reached(exact(digits), finding.value.comparator, values);
  if (at === null) return { why: "the true value lies beyond the number, and may be on either side of its lines" };
  const unit = catalogue.units.get(table.unit);
  const shown = (number) => `${short(number, unit.places)}${unitShown(table.unit, catalogue)}`;
  const [label, urgency, flag, source] = table.lines[Math.max(at, 0)];
  const converted = unitOf(finding.value.unit, catalogue).ucum === table.unit ? "" : ` (${shown(exact(digits))})`;
  const beside = at < 0 ? "under every line, the lowest" : "on or over";
  const line = `'${label}' of ${shown(values[Math.max(at, 0)])} at ${fixed(hour, 1)} h of life`;
  const [low, high] = block;
  const weeks = high === null ? `born at ${low} weeks or later` : `born at ${low}${high === low ? "" : ` to ${high}`} weeks`;
  return {
    finding: { item: LINE, text: `${inWords(finding, item, catalogue)}${converted}: ${beside} ${line}`, observed_at: finding.observed_at ?? record.exam.started },
    from: [index], maker: table.id,
    reason: `by ${table.maker}: ${[weeks, ...words, ...(table.caution ? [table.caution] : [])].join("; ")}`,
    ...(at < 0
      ? { urgency: "none", meaning: "expected", flag: "N", source: table.source }
      : { urgency, meaning: "abnormal", flag, source: source || table.source }),
  };
};

/** Of every number that one of the tables is of: where it lies to the lines; or `withheld`, why they do not say. */
export const linesByHour = (record, catalogue) =>
  record.findings.flatMap((finding, index) => {
    const item = catalogue.items.get(finding.item);
    const reasons = [];
    if (kindOf(finding.value) !== "quantity") return [];
    for (const table of catalogue.hours ?? []) {
      if (!table.items.includes(item.id) || !every(table.tests ?? [], { finding, item }, record, catalogue)) continue;
      const one = placed(table, finding, item, index, record, catalogue);
      if (!one.why) return [one];
      reasons.push(`no line of ${table.maker}: ${one.why}`);
    }
    return reasons.length ? [{ from: [index], withheld: reasons.join("; ") }] : [];
  });
