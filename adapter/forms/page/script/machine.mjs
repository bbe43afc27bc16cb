// Runs the catalogue's tables of ranges and rules (adapter/derive/compiled.py says what they are) as
// adapter/derive/machine.py does: whatever a range or a rule newly asks is compiled there, into these tests and steps.
import { kindOf } from "./catalogue.mjs";
import { compare, exact, less } from "./exact.mjs";
import { instant } from "./moments.mjs";
import { ageHours, gestationWeeks, madeAt, postmenstrualWeeks } from "./age.mjs";
import { componentNumbers, numberOf } from "./numbers.mjs";

const HOLDS = { ">": (c) => c > 0, ">=": (c) => c >= 0, "<": (c) => c < 0, "<=": (c) => c <= 0 };

/** Comparator and number of an end: `>=30`. */
export const endOf = (text) => {
  const [, comparator, value] = /^([<>]=?)(.+)$/.exec(text);
  return { comparator, value };
};

/** Whether a number (a fraction) lies between two ends; an empty one is open. */
export const within = (number, low, high) =>
  [low, high].every((end) => {
    if (!end) return true;
    const { comparator, value } = endOf(end);
    return HOLDS[comparator](compare(number, exact(value)));
  });

const field = (paths, one, record, catalogue) => {
  const from = {
    finding: one?.finding, item: one?.item, judged: one?.judged, site: catalogue.sites[one?.finding.site],
    newborn: record.newborn, exam: record.exam,
  };
  for (const path of paths.split("|")) {
    const [root, name] = path.split(".");
    const found = from[root]?.[name] ?? null;
    if (found !== null) return found;
  }
  return null;
};

const value = (one, component, record, catalogue) => {
  if (one.exact) return one.exact;
  const held = one.finding.value;
  const kind = kindOf(held);
  if (kind === "time") return ageHours(record, instant(held.time));
  let digits = null;
  if (kind === "quantities") digits = componentNumbers(held, one.item, catalogue)[component] ?? null;
  else if (kind !== "quantity" || !held.comparator) digits = numberOf(one.finding, one.item, catalogue);
  return digits === null ? null : exact(digits);
};

const numberNamed = (name, one, record, catalogue) => {
  const [kind, component] = name.split(".");
  switch (kind) {
    case "age":
      return ageHours(record, madeAt(one.finding, one.item, record));
    case "start":
      return ageHours(record, instant(record.exam.started));
    case "postmenstrual":
      return postmenstrualWeeks(record, madeAt(one.finding, one.item, record));
    case "gestation":
      return gestationWeeks(record);
    default:
      return value(one, component, record, catalogue);
  }
};

const passes = ([op, name, ...asked], one, record, catalogue) => {
  if (op !== "span") return asked[0].includes(field(name, one, record, catalogue)) === (op === "in");
  const number = numberNamed(name, one, record, catalogue);
  return number !== null && within(number, ...asked);
};

/** Whether a finding (or, without one, the infant) passes every test. */
export const every = (tests, one, record, catalogue) => tests.every((test) => passes(test, one, record, catalogue));

const union = (held, needed) => (held.length >= needed ? new Set(held.flatMap((one) => [...one])) : null);

/** The indexes of the findings by which a rule's steps hold, or null. `pool` is all evidence. */
export const heldBy = (steps, pool, record, catalogue) => {
  const stack = [];
  const of = (id, tests) =>
    pool.filter((one) => (!id || one.item.id === id) && every(tests, one, record, catalogue));
  const each = (ones) => ones.map((one) => new Set([one.index]));
  const STEPS = {
    find: (id, tests) => union(each(of(id, tests)), 1),
    infant: (tests) => (every(tests, null, record, catalogue) ? new Set() : null),
    none: (id) => (pool.some((one) => one.item.id === id) ? null : new Set()),
    pairs: (id, tests, other, others, name, low, high) => {
      const numbers = (ones) =>
        ones.map((one) => [one.index, numberNamed(name, one, record, catalogue)]).filter(([, number]) => number !== null);
      const seconds = numbers(of(other, others));
      const found = numbers(of(id, tests)).flatMap(([i, one]) =>
        seconds.filter(([j, two]) => i !== j && within(less(one, two), low, high)).map(([j]) => new Set([i, j])));
      return union(found, 1);
    },
    some: (needed, count) => union(stack.splice(-count).filter(Boolean), needed),
  };
  for (const [op, ...asked] of steps) stack.push(STEPS[op](...asked));
  return stack[0];
};

/** The rules that hold, each with the indexes of the findings it holds by, in order. */
export const heldRules = (record, pool, catalogue) => {
  const found = catalogue.rules.flatMap((rule) => {
    const by = heldBy(rule.steps, pool, record, catalogue);
    return by ? [{ rule, from: [...by].sort((a, b) => a - b) }] : [];
  });
  const replaced = new Set(found.flatMap(({ rule }) => rule.replaces));
  return found.map((one) => ({ ...one, replaced: replaced.has(one.rule.id) }));
};
