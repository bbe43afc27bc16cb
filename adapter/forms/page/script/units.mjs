// Units: exact conversion between units of one dimension, and between mass and amount of substance.
import { exact, less, over, plus, short, times } from "./exact.mjs";

/** The unit written so, or undefined. */
export const unitOf = (spelling, catalogue) =>
  catalogue.spellings.get(spelling) ??
  [...catalogue.spellings].find(([text]) => text.toLowerCase() === spelling.trim().toLowerCase())?.[1];

/** A unit as people read it, with the space before it. */
export const unitShown = (spelling, catalogue) => {
  const known = catalogue.units.get(spelling) ?? (spelling.startsWith("{") ? unitOf(spelling, catalogue) : null);
  return known ? (known.shown ?? "") : ` ${spelling}`;
};

const toBase = (digits, unit) => {
  const moved = unit.offset ? plus(exact(digits), exact(unit.offset)) : exact(digits);
  return over(times(moved, exact(unit.numerator ?? "1")), exact(unit.denominator ?? "1"));
};

const fromBase = (base, unit) => {
  const scaled = over(times(base, exact(unit.denominator ?? "1")), exact(unit.numerator ?? "1"));
  return unit.offset ? less(scaled, exact(unit.offset)) : scaled;
};

/** The captured quantity in another unit of its dimension, as decimal digits. */
export const convert = (quantity, ucum, catalogue) => {
  const target = catalogue.units.get(ucum);
  const unit = unitOf(quantity.unit, catalogue);
  if (!quantity.plus && unit.ucum === ucum) return quantity.value;
  let base = toBase(quantity.value, unit);
  if (quantity.plus) base = plus(base, toBase(quantity.plus.value, unitOf(quantity.plus.unit, catalogue)));
  return short(fromBase(base, target), target.places);
};

/** The value in the item's unit; one in another dimension by the item's molar mass (mg/dL = mmol/L x g/mol / 10). */
export const amount = (quantity, item, catalogue) => {
  const target = catalogue.units.get(item.unit ?? quantity.unit);
  const unit = unitOf(quantity.unit, catalogue);
  if (!item.molar_mass || !target || unit.dimension === target.dimension)
    return convert(quantity, target.ucum, catalogue);
  const factor = over(exact(item.molar_mass), exact("10"));
  const base = toBase(quantity.value, unit);
  const other = unit.dimension === "substance-concentration" ? times(base, factor) : over(base, factor);
  return short(fromBase(other, target), target.places);
};

