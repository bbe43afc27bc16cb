// Runs the catalogue's tables of ranges and rules (adapter/derive/compiled.py says what they are) as
// adapter/derive/machine.py does: whatever a range or a rule newly asks is compiled there, into these tests and steps.
import { kindOf } from "./catalogue.mjs";
import { compare, exact, less } from "./exact.mjs";
import { hoursBetween, instant } from "./moments.mjs";
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

const alike = (one, other) => one.every((known, n) => known === null || other[n] === null || known === other[n]);

/** The largest runs of findings of which no two lie further apart; whatever holds by a part holds by the whole. */
const windows = (timed, apart) => {
  const ordered = [...timed].sort((one, other) => (one.when < other.when ? -1 : Number(one.when > other.when)));
  let end = 0;
  return ordered.flatMap(({ when: first }, start) => {
    const last = end;
    while (end < ordered.length && within(hoursBetween(first, ordered[end].when), "", apart)) end += 1;
    return end > last ? [ordered.slice(start, end).map(({ one }) => one)] : [];
  });
};

const union = (held, needed) => (held.length >= needed ? new Set(held.flatMap((one) => [...one])) : null);

/**
 * The indexes of the findings by which a rule's steps hold, or null. `pool` is all evidence; `before` what earlier
 * exams found, each finding at its own time.
 */
export const heldBy = (steps, pool, record, catalogue, before = []) => {
  const stack = [];
  const passing = (ones, id, tests) =>
    ones.filter((one) => (!id || one.item.id === id) && every(tests, one, record, catalogue));
  const of = (id, tests) => passing(pool, id, tests);
  const own = pool.filter((one) => !before.includes(one));
  const at = (one) => madeAt(one.finding, one.item, record);
  const each = (ones) => ones.map((one) => new Set([one.index]));
  const STEPS = {
    find: (id, tests) => union(each(of(id, tests)), 1),
    infant: (tests) => (every(tests, null, record, catalogue) ? new Set() : null),
    none: (id) => (pool.some((one) => one.item.id === id) ? null : new Set()),
    never: (id, tests, apart) => {
      const began = instant(record.exam.started);
      const recent = before.filter((one) => within(hoursBetween(at(one), began), "", apart));
      return passing([...own, ...recent], id, tests).length ? null : new Set();
    },
    pairs: (id, tests, other, others, name, low, high) => {
      const numbers = (ones) =>
        ones.map((one) => [one.index, numberNamed(name, one, record, catalogue)]).filter(([, number]) => number !== null);
      const seconds = numbers(of(other, others));
      const found = numbers(of(id, tests)).flatMap(([i, one]) =>
        seconds.filter(([j, two]) => i !== j && within(less(one, two), low, high)).map(([j]) => new Set([i, j])));
      return union(found, 1);
    },
    before: (id, tests) =>
      union(each(passing(before, id, tests).filter((one) => at(one) < instant(record.exam.started))), 1),
    times: (id, tests, needed, apart) => {
      const ones = passing([...own, ...before], id, tests).map((one) => ({ one, when: at(one) }));
      const found = ones.map(({ when: first }) =>
        ones.filter(({ when }) => when >= first && within(hoursBetween(first, when), "", apart)));
      const enough = found.filter((near) =>
        new Set(near.map(({ when }) => when)).size >= needed && near.some(({ one }) => own.includes(one)));
      return union(enough.map((near) => near.map(({ one }) => one.index)), 1);
    },
    change: (id, tests, fields, name, low, high, apart) => {
      const known = (ones) => ones.map((one) => ({
        index: one.index, when: at(one), number: numberNamed(name, one, record, catalogue),
        place: fields.map((path) => field(path, one, record, catalogue)),
      })).filter(({ number }) => number !== null);
      const earlier = known(passing([...own, ...before], id, []));
      const found = known(passing(own, id, tests)).flatMap((now) =>
        earlier.filter((was) => was.when < now.when && alike(was.place, now.place) && within(hoursBetween(was.when, now.when), "", apart)
          && within(less(now.number, was.number), low, high)).map((was) => [now.index, was.index]));
      return union(found, 1);
    },
    over: (apart, items, inner) => {
      const asked = (ones) => ones.filter(({ item }) => items.includes(item.id));
      const lasting = asked(pool).filter(({ item }) => item.lasting);
      const [mine, earlier] = [asked(own), asked(before).filter(({ item }) => !item.lasting)];
      const timed = earlier.length && mine.length ? [...mine, ...earlier].map((one) => ({ one, when: at(one) })) : [];
      const found = windows(timed, apart).flatMap((near) => {
        const held = heldBy(inner, [...lasting, ...near.filter(({ item }) => !item.lasting)], record, catalogue);
        return held && near.some((one) => mine.includes(one) && held.has(one.index)) ? [held] : [];
      });
      return union([heldBy(inner, pool, record, catalogue), ...found].filter(Boolean), 1);
    },
    some: (needed, count) => union(stack.splice(-count).filter(Boolean), needed),
  };
  for (const [op, ...asked] of steps) stack.push(STEPS[op](...asked));
  return stack[0];
};

/** The rules that hold, each with the indexes of the findings it holds by, in order. */
export const heldRules = (record, pool, catalogue, before = []) => {
  const all = [...pool, ...before.filter((one) => one.item.lasting)];
  const found = catalogue.rules.flatMap((rule) => {
    const by = heldBy(rule.steps, all, record, catalogue, before);
    return by ? [{ rule, from: [...by].sort((a, b) => a - b) }] : [];
  });
  const replaced = new Set(found.flatMap(({ rule }) => rule.replaces));
  return found.map((one) => ({ ...one, replaced: replaced.has(one.rule.id) }));
};
