// Points in time: ISO 8601 text with an offset, as the capture record holds them, and instants in microseconds.
import { ratio } from "./exact.mjs";

const ISO = /^(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d)(?::(\d\d)(?:\.(\d{1,6}))?)?(Z|[+-]\d\d:\d\d)$/;

/** Microseconds since 1970 of an ISO 8601 time with its offset, or null. */
export const instant = (text) => {
  const found = ISO.exec(text ?? "");
  if (!found) return null;
  const [, year, month, day, hour, minute, second = "0", part = "", offset] = found;
  const ms = Date.UTC(+year, +month - 1, +day, +hour, +minute, +second);
  const sign = offset[0] === "-" ? -1 : 1;
  const minutes = offset === "Z" ? 0 : sign * (+offset.slice(1, 3) * 60 + +offset.slice(4));
  return BigInt(ms - minutes * 60000) * 1000n + BigInt(part.padEnd(6, "0"));
};

/** Hours between two instants, exact. */
export const hoursBetween = (from, to) => ratio(to - from, 3600000000n);

const two = (number) => String(number).padStart(2, "0");

/** `+01:00` for the minutes east of UTC. */
export const offsetText = (minutes) => {
  const size = Math.abs(minutes);
  return `${minutes < 0 ? "-" : "+"}${two(Math.floor(size / 60))}:${two(size % 60)}`;
};

/** The device's offset at a moment, in minutes east of UTC. */
export const deviceOffset = (date) => -date.getTimezoneOffset();

/** The moment as ISO 8601 with the device's offset, to the second. */
export const isoOf = (date) => {
  const day = `${String(date.getFullYear()).padStart(4, "0")}-${two(date.getMonth() + 1)}-${two(date.getDate())}`;
  const time = `${two(date.getHours())}:${two(date.getMinutes())}:${two(date.getSeconds())}`;
  return `${day}T${time}${offsetText(deviceOffset(date))}`;
};

/** The moment now, to the second, with the device's offset. */
export const now = () => isoOf(new Date());

/** The offsets that a wall-clock time (`2026-10-25T02:30`) can have on this device: two when clocks go back, none in an
 * hour that they skip. */
export const offsetsAt = (local) => {
  const middle = new Date(local);
  if (Number.isNaN(middle.getTime())) return [];
  const around = [-3, 0, 3].map((hours) => deviceOffset(new Date(middle.getTime() + hours * 3600000)));
  return [...new Set([deviceOffset(middle), ...around])].filter(
    (minutes) => wallClock(local, minutes) === local,
  );
};

const wallClock = (local, minutes) =>
  isoOf(new Date(Number(instant(`${local}:00${offsetText(minutes)}`) / 1000n))).slice(0, 16);

/** The moments from one to another at which a clock of this device showed these four digits: none, one, or of several
 * days; in the hour that comes twice in a night both. */
export const momentsAt = (digits, from, to) => {
  const [first, last] = [instant(from), instant(to)];
  if (first === null || last === null) return [];
  const days = Number((last - first) / 86400000000n) + 2;
  return Array.from({ length: days }, (_, n) => isoOf(new Date(Number(first / 1000n) + n * 86400000)).slice(0, 10))
    .flatMap((day) => {
      const local = `${day}T${digits.slice(0, 2)}:${digits.slice(2)}`;
      return offsetsAt(local).map((minutes) => `${local}:00${offsetText(minutes)}`);
    })
    .filter((text) => first <= instant(text) && instant(text) <= last);
};

/** To the minute, as findings are told: `2026-03-01T08:30+01:00`. */
export const toTheMinute = (text) => {
  const found = ISO.exec(text ?? "");
  return found ? `${text.slice(0, 16)}${found[8] === "Z" ? "+00:00" : found[8]}` : text;
};
