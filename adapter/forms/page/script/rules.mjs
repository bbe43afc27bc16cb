// Which rules hold: the conditions of rules.yaml read as data; the same as adapter/derive/rules.py.
import { exact, less } from "./exact.mjs";
import { kindOf, sideOf, siteOf } from "./catalogue.mjs";
import { instant } from "./moments.mjs";
import { ageHours, gestationWeeks, madeAt } from "./age.mjs";
import { componentNumbers, numberOf } from "./judgement.mjs";
import { holds } from "./spans.mjs";

const union = (held, needed) => (held.length >= needed ? new Set(held.flatMap((one) => [...one])) : null);

/** The rules that hold, each with the indexes of the findings it holds by. `pool` is all evidence. */
export const heldRules = (record, pool, catalogue) => {
  const age = ageHours(record, instant(record.exam.started));
  const gestation = gestationWeeks(record);
  const ofItem = (id) => pool.filter((one) => one.item.id === id);

  const number = (one, component) => {
    const value = one.finding.value;
    if (one.exact) return one.exact;
    const kind = kindOf(value);
    if (kind === "time") return ageHours(record, instant(value.time));
    let digits = null;
    if (kind === "quantities") digits = componentNumbers(value, one.item, catalogue)[component] ?? null;
    else if (kind !== "quantity" || !value.comparator) digits = numberOf(one.finding, one.item, catalogue);
    return digits === null ? null : exact(digits);
  };

  const fits = (one, when, side) => {
    const { finding, judged } = one;
    if (side && one.item.sides === "each" && sideOf(finding, catalogue) !== side) return false;
    if (when.sites && !when.sites.includes(siteOf(finding, one.item))) return false;
    if (when.age_hours && !holds(when.age_hours, ageHours(record, madeAt(finding, one.item, record)))) return false;
    if (Boolean(finding.not_examined) !== Boolean(when.not_examined?.length)) return false;
    if (when.not_examined?.length)
      return when.not_examined.includes("any") || when.not_examined.includes(finding.not_examined);
    if (when.answers && !(kindOf(finding.value) === "answer" && when.answers.includes(finding.value))) return false;
    if (when.meanings && !(judged && when.meanings.includes(judged.meaning))) return false;
    if (when.flags && !(judged && when.flags.includes(judged.flag))) return false;
    if (when.number) {
      const value = number(one, when.component);
      return value !== null && holds(when.number, value);
    }
    return true;
  };

  const numbers = (id, sites, component) =>
    ofItem(id)
      .map((one) => ({ index: one.index, site: one.finding.site, value: number(one, component) }))
      .filter((one) => one.value !== null && (!sites || sites.includes(one.site)));

  const difference = (when) => {
    const others = numbers(when.minus.item ?? when.item, when.minus.sites, when.component);
    const pairs = numbers(when.item, when.sites, when.component).flatMap((one) =>
      others
        .filter((other) => other.index !== one.index && holds(when.number, less(one.value, other.value)))
        .map((other) => new Set([one.index, other.index])),
    );
    return union(pairs, 1);
  };

  const leaf = (when, side) => {
    if (when.gestation_weeks && !(gestation && holds(when.gestation_weeks, gestation))) return null;
    if (when.sex && record.newborn.sex !== when.sex) return null;
    if (!when.item) {
      if (when.age_hours && !holds(when.age_hours, age)) return null;
      if (!when.not_examined?.length) return new Set();
      const wanted = ({ finding }) => ["any", finding.not_examined].some((why) => when.not_examined.includes(why));
      return union(pool.filter((one) => one.finding.not_examined && wanted(one)).map((one) => new Set([one.index])), 1);
    }
    const candidates = ofItem(when.item);
    if (when.not_recorded) return candidates.length ? null : new Set();
    if (when.minus) return difference(when);
    return union(candidates.filter((one) => fits(one, when, side)).map((one) => new Set([one.index])), 1);
  };

  const held = (when, side) => {
    if ((when.same_side || when.both_sides) && !side)
      return union(["left", "right"].map((each) => held(when, each)).filter(Boolean), when.both_sides ? 2 : 1);
    const parts = when.all ?? when.any ?? when.of;
    if (!parts) return leaf(when, side);
    const found = parts.map((part) => held(part, side)).filter(Boolean);
    return union(found, when.at_least ?? (when.all ? parts.length : 1));
  };

  const found = catalogue.rules.flatMap((rule) => {
    const by = held(rule.when, null);
    return by ? [{ rule, from: [...by].sort((a, b) => a - b) }] : [];
  });
  const replaced = new Set(found.flatMap(({ rule }) => rule.replaces));
  return found.map((one) => ({ ...one, replaced: replaced.has(one.rule.id) }));
};

