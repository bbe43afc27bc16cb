// Measured values: possible and plausible, whole where counted, long enough counted.
import { compare, exact, isWhole } from "./exact.mjs";
import { kindOf } from "./catalogue.mjs";
import { amount, convert, unitOf, unitShown } from "./units.mjs";
import { doubt, fault } from "./problems.mjs";
import { digitsSaid, say } from "./say.mjs";
import { valueInWords } from "./words.mjs";

const outside = (digits, low, high) =>
  compare(exact(digits), exact(low)) < 0 || compare(exact(digits), exact(high)) > 0;

const same = (value, item, catalogue) => !value.plus && unitOf(value.unit, catalogue)?.ucum === item.unit;

const inLimits = (said, digits, limits, item, index, catalogue) => {
  if (!limits) return [];
  const [low, high, inner, outer] = limits;
  const parts = (from, to) => ({
    value: said, low: digitsSaid(catalogue, from), high: `${digitsSaid(catalogue, to)}${unitShown(item.unit, catalogue)}`,
  });
  if (outside(digits, low, high)) return [fault(catalogue, "impossible-value", index, parts(low, high))];
  return outside(digits, inner, outer) ? [doubt(catalogue, "implausible-value", index, parts(inner, outer))] : [];
};

const whole = (digits, item, index, catalogue) =>
  item.whole_numbers && !isWhole(exact(digits))
    ? [fault(catalogue, "not-whole", index, { number: digitsSaid(catalogue, digits) })]
    : [];

const parts = (value, index, catalogue) => {
  const second = unitOf(value.plus.unit, catalogue);
  const one = convert({ value: "1", unit: value.unit }, second.ucum, catalogue);
  const [first, rest] = [exact(value.value), exact(value.plus.value)];
  const well = isWhole(first) && first.n >= 0n && rest.n >= 0n && compare(rest, exact(one)) < 0;
  const [unit, most] = [unitShown(value.unit, catalogue).trim(), `${one}${unitShown(value.plus.unit, catalogue)}`];
  return well ? [] : [fault(catalogue, "wrong-parts", index, { unit, most })];
};

const quantity = (finding, item, index, catalogue) => {
  const { value } = finding;
  const wrong = value.plus ? parts(value, index, catalogue) : [];
  if (wrong.length || !item.unit) return wrong;
  const said = valueInWords({ value: { ...value, comparator: undefined } }, item, catalogue);
  return [
    ...(same(value, item, catalogue) ? whole(value.value, item, index, catalogue) : []),
    ...inLimits(said, amount(value, item, catalogue), item.limits, item, index, catalogue),
  ];
};

const quantities = (finding, item, index, catalogue) =>
  item.components.flatMap((component) => {
    const digits = finding.value.components[component.id];
    if (digits === undefined) {
      return component.required ? [fault(catalogue, "component-missing", index, { part: component.label })] : [];
    }
    const part = { value: digits, unit: finding.value.unit };
    const said = say(catalogue, "is", { what: component.label, value: digitsSaid(catalogue, digits) });
    return [
      ...(same(part, item, catalogue) ? whole(digits, item, index, catalogue) : []),
      ...inLimits(said, convert(part, item.unit, catalogue), component.limits, item, index, catalogue),
    ];
  });

const counted = (finding, item, index, catalogue) => {
  const seconds = finding.counted_seconds;
  if (!seconds || !item.count_seconds || compare(exact(seconds), exact(item.count_seconds)) >= 0) return [];
  return [doubt(catalogue, "short-count", index, { seconds: digitsSaid(catalogue, seconds), full: item.count_seconds })];
};

export const checkNumbers = (record, catalogue) =>
  record.findings.flatMap((finding, index) => {
    const item = catalogue.items.get(finding.item);
    const kind = kindOf(finding.value);
    if (kind === "quantity" && item.type === "quantity")
      return [...quantity(finding, item, index, catalogue), ...counted(finding, item, index, catalogue)];
    return kind === "quantities" ? quantities(finding, item, index, catalogue) : counted(finding, item, index, catalogue);
  });
