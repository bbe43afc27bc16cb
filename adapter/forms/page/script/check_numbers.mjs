// Measured values: possible and plausible, whole where counted, long enough counted.
import { compare, exact, isWhole } from "./exact.mjs";
import { kindOf } from "./catalogue.mjs";
import { amount, convert, unitOf, unitShown } from "./units.mjs";
import { doubt, fault } from "./problems.mjs";
import { valueInWords } from "./words.mjs";

const outside = (digits, low, high) =>
  compare(exact(digits), exact(low)) < 0 || compare(exact(digits), exact(high)) > 0;

const same = (value, item, catalogue) => !value.plus && unitOf(value.unit, catalogue)?.ucum === item.unit;

const inLimits = (said, digits, limits, item, index, catalogue) => {
  if (!limits) return [];
  const [low, high, inner, outer] = limits;
  const unit = unitShown(item.unit, catalogue);
  if (outside(digits, low, high)) {
    const what = `${said} is outside what is possible, ${low} to ${high}${unit}.`;
    return [fault("impossible-value", what, "The value as measured and its unit; else measure again.", index)];
  }
  if (outside(digits, inner, outer)) {
    const what = `${said} is outside what is plausible, ${inner} to ${outer}${unit}.`;
    return [doubt("implausible-value", what, "Look again at value and unit; keep it if it is right.", index)];
  }
  return [];
};

const whole = (digits, item, index) =>
  item.whole_numbers && !isWhole(exact(digits))
    ? [fault("not-whole", `${digits} is not a whole number.`, "The number as counted or read.", index)]
    : [];

const parts = (value, index, catalogue) => {
  const second = unitOf(value.plus.unit, catalogue);
  const one = convert({ value: "1", unit: value.unit }, second.ucum, catalogue);
  const [first, rest] = [exact(value.value), exact(value.plus.value)];
  const well = isWhole(first) && first.n >= 0n && rest.n >= 0n && compare(rest, exact(one)) < 0;
  const remedy = `A whole number of ${value.unit}, then less than ${one} ${value.plus.unit}.`;
  return well ? [] : [fault("wrong-parts", "This is not an amount in two parts.", remedy, index)];
};

const quantity = (finding, item, index, catalogue) => {
  const { value } = finding;
  const wrong = value.plus ? parts(value, index, catalogue) : [];
  if (wrong.length || !item.unit) return wrong;
  const said = valueInWords({ value: { ...value, comparator: undefined } }, item, catalogue);
  return [
    ...(same(value, item, catalogue) ? whole(value.value, item, index) : []),
    ...inLimits(said, amount(value, item, catalogue), item.limits, item, index, catalogue),
  ];
};

const quantities = (finding, item, index, catalogue) =>
  item.components.flatMap((component) => {
    const digits = finding.value.components[component.id];
    if (digits === undefined) {
      const what = `${component.label} is missing.`;
      const remedy = "Give it, or not examined and why.";
      return component.required ? [fault("component-missing", what, remedy, index)] : [];
    }
    const part = { value: digits, unit: finding.value.unit };
    const said = `${component.label} ${digits}`;
    return [
      ...(same(part, item, catalogue) ? whole(digits, item, index) : []),
      ...inLimits(said, convert(part, item.unit, catalogue), component.limits, item, index, catalogue),
    ];
  });

const counted = (finding, item, index) => {
  const seconds = finding.counted_seconds;
  if (!seconds || !item.count_seconds || compare(exact(seconds), exact(item.count_seconds)) >= 0) return [];
  const remedy = `Count for ${item.count_seconds} s; a rate from a shorter count is less reliable.`;
  return [doubt("short-count", `Counted for ${seconds} s.`, remedy, index)];
};

export const checkNumbers = (record, catalogue) =>
  record.findings.flatMap((finding, index) => {
    const item = catalogue.items.get(finding.item);
    const kind = kindOf(finding.value);
    if (kind === "quantity" && item.type === "quantity")
      return [...quantity(finding, item, index, catalogue), ...counted(finding, item, index)];
    return kind === "quantities" ? quantities(finding, item, index, catalogue) : counted(finding, item, index);
  });
