// Bilirubin against the site's own lines by the hour of life; the same as adapter/derive/hours.py, by the same tables.
import { kindOf } from "./catalogue.mjs";
import { compare, exact, fixed, less, over, plus, short, times } from "./exact.mjs";
import { hoursBetween, instant } from "./moments.mjs";
import { madeAt } from "./age.mjs";
import { every, heldBy } from "./machine.mjs";
import { amount, unitOf, unitShown } from "./units.mjs";
import { clauses, digitsSaid, say } from "./say.mjs";
import { inWords } from "./words.mjs";

/** The item of what the tables say. */
export const LINE = "bilirubin_line";

const group = (table, record, catalogue, earlier) => {
  if (!table.risks) return { place: 0, words: [] };
  const found = [record, ...earlier].flatMap(({ findings }) => findings).filter(({ item }) => catalogue.items.has(item));
  const pool = found.map((finding, index) => ({ finding, item: catalogue.items.get(finding.item), judged: null, index }));
  const place = table.risks.findIndex(([, steps]) => steps.length && heldBy(steps, pool, record, catalogue));
  if (place >= 0) return { place, words: [table.risks[place][0]] };
  return { place: 0, words: [say(catalogue, "hours.group_unknown", { group: table.risks[0][0] })] };
};

const curve = (table, place, record, catalogue) => {
  const weeks = record.newborn.gestation?.weeks ?? null;
  if (weeks === null) return { why: say(catalogue, "computed.no_gestation") };
  const block = table.blocks.find(([from, to, of]) => from <= weeks && (to === null || weeks <= to) && of === place);
  if (block) return { block };
  const first = Math.min(...table.blocks.map(([from]) => from));
  const ends = table.blocks.map(([, to]) => to);
  const open = ends.includes(null);
  return { why: say(catalogue, open ? "hours.weeks_outside_open" : "hours.weeks_outside", { weeks, first, last: Math.max(...ends) }) };
};

const linesAt = (rows, hour, table, catalogue) => {
  const [first, last] = [rows[0][0], rows.at(-1)[0]];
  const number = (digits) => digitsSaid(catalogue, digits);
  if (compare(hour, exact(first)) < 0 || compare(hour, exact(last)) > 0)
    return { why: say(catalogue, "hours.hour_outside", { hour: number(short(hour, 1)), first: number(first), last: number(last) }) };
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

const placed = (table, finding, item, index, record, catalogue, earlier) => {
  const { place, words } = group(table, record, catalogue, earlier);
  const { block, why: ofWeeks } = curve(table, place, record, catalogue);
  if (ofWeeks) return { why: ofWeeks };
  const hour = hoursBetween(instant(record.newborn.birth_time), madeAt(finding, item, record));
  const { values, why: ofHours } = linesAt(block[3], hour, table, catalogue);
  if (ofHours) return { why: ofHours };
  const digits = amount(finding.value, { ...item, unit: table.unit }, catalogue);
  const at = reached(exact(digits), finding.value.comparator, values);
  if (at === null) return { why: say(catalogue, "hours.open_end") };
  const unit = catalogue.units.get(table.unit);
  const shown = (number) => `${digitsSaid(catalogue, short(number, unit.places))}${unitShown(table.unit, catalogue)}`;
  const [label, urgency, flag, source] = table.lines[Math.max(at, 0)];
  const said = inWords(finding, item, catalogue);
  const same = unitOf(finding.value.unit, catalogue).ucum === table.unit;
  const text = say(catalogue, at < 0 ? "hours.under" : "hours.over", {
    measured: same ? said : say(catalogue, "beside", { words: said, of: shown(exact(digits)) }),
    line: label, number: shown(values[Math.max(at, 0)]), hour: digitsSaid(catalogue, fixed(hour, 1)),
  });
  const [first, last] = block;
  const weeks = say(catalogue, last === null ? "hours.born_later" : last === first ? "hours.born" : "hours.born_to", { first, last });
  return {
    finding: { item: LINE, text, observed_at: finding.observed_at ?? record.exam.started },
    from: [index], maker: table.id,
    reason: say(catalogue, "hours.by", { table: table.maker, where: clauses(catalogue, [weeks, ...words, table.caution]) }),
    ...(at < 0
      ? { urgency: "none", meaning: "expected", flag: "N", source: table.source }
      : { urgency, meaning: "abnormal", flag, source: source || table.source }),
  };
};

/** Of every number that one of the tables is of: where it lies to the lines; or `withheld`, why they do not say. */
export const linesByHour = (record, catalogue, earlier = []) =>
  record.findings.flatMap((finding, index) => {
    const item = catalogue.items.get(finding.item);
    const reasons = [];
    if (kindOf(finding.value) !== "quantity") return [];
    for (const table of catalogue.hours ?? []) {
      if (!table.items.includes(item.id) || !every(table.tests ?? [], { finding, item }, record, catalogue)) continue;
      const one = placed(table, finding, item, index, record, catalogue, earlier);
      if (!one.why) return [one];
      reasons.push(say(catalogue, "hours.no_line", { table: table.maker, why: one.why }));
    }
    return reasons.length ? [{ from: [index], withheld: clauses(catalogue, reasons) }] : [];
  });
