// Exact arithmetic on decimal digits: fractions of whole numbers, never binary floating point.

const PLAIN = /^-?[0-9]{1,9}(\.[0-9]{1,9})?$/;

/** Whether the text is a plain decimal number as the capture record takes it. */
export const isNumber = (text) => PLAIN.test(text);

const gcd = (a, b) => {
  while (b) [a, b] = [b, a % b];
  return a < 0n ? -a : a;
};

/** n/d in lowest terms, d above 0. */
export const ratio = (n, d = 1n) => {
  if (d < 0n) [n, d] = [-n, -d];
  const g = gcd(n, d) || 1n;
  return { n: n / g, d: d / g };
};

/** The fraction that decimal digits stand for. */
export const exact = (text) => {
  const [whole, part = ""] = String(text).split(".");
  return ratio(BigInt(whole + part), 10n ** BigInt(part.length));
};

export const plus = (a, b) => ratio(a.n * b.d + b.n * a.d, a.d * b.d);
export const less = (a, b) => ratio(a.n * b.d - b.n * a.d, a.d * b.d);
export const times = (a, b) => ratio(a.n * b.n, a.d * b.d);
export const over = (a, b) => ratio(a.n * b.d, a.d * b.n);

/** Below 0, 0 or above 0, as a is smaller than, equal to or greater than b. */
export const compare = (a, b) => {
  const difference = a.n * b.d - b.n * a.d;
  return difference < 0n ? -1 : difference > 0n ? 1 : 0;
};

export const isWhole = (a) => a.d === 1n;

/** The greatest whole number that is not above a. */
export const floor = (a) => a.n / a.d - (a.n % a.d < 0n ? 1n : 0n);

/** Decimal digits with exactly so many places, rounded half up (away from zero) once. */
export const fixed = (a, places) => {
  const scale = 10n ** BigInt(places);
  const size = a.n < 0n ? -a.n : a.n;
  const rounded = (2n * size * scale + a.d) / (2n * a.d);
  const digits = rounded.toString().padStart(places + 1, "0");
  const text = places ? `${digits.slice(0, -places)}.${digits.slice(-places)}` : digits;
  return a.n < 0n ? `-${text}` : text;
};

/** The same without trailing zeros: what a converted value is written as. */
export const short = (a, places) => {
  const text = fixed(a, places);
  const cut = text.includes(".") ? text.replace(/\.?0+$/, "") : text;
  return cut === "-0" ? "0" : cut;
};
