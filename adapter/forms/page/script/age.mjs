// When a finding was made, and how old the newborn was.
import { exact, fixed, over, plus, ratio } from "./exact.mjs";
import { hoursBetween, instant } from "./moments.mjs";
import { digitsSaid, say } from "./say.mjs";

/** The instant a finding was made: its own, else the moment of birth it belongs to, else the exam's start. */
export const madeAt = (finding, item, record) => {
  if (finding.observed_at) return instant(finding.observed_at);
  if (item.minutes_after_birth !== undefined)
    return instant(record.newborn.birth_time) + BigInt(item.minutes_after_birth) * 60000000n;
  return instant(record.exam.started);
};

/** Hours of life at an instant, as a fraction. */
export const ageHours = (record, at) => hoursBetween(instant(record.newborn.birth_time), at);

/** Gestation at birth in weeks with the days as sevenths, or null. */
export const gestationWeeks = (record) => {
  const gestation = record.newborn.gestation;
  return gestation ? plus(exact(String(gestation.weeks)), ratio(BigInt(gestation.days ?? 0), 7n)) : null;
};

/** Gestation at birth and the time since, in weeks, or null. */
export const postmenstrualWeeks = (record, at) => {
  const born = gestationWeeks(record);
  return born && plus(born, over(ageHours(record, at), ratio(168n)));
};

/** How old at the exam's start, in words. */
export const ageInWords = (record, catalogue) => {
  if (instant(record.newborn.birth_time) === null || instant(record.exam.started) === null) return "";
  const hours = ageHours(record, instant(record.exam.started));
  const whole = Number(fixed(hours, 1));
  if (whole < 0) return "";
  return whole < 96
    ? say(catalogue, "page.frame.age_hours", { hours: digitsSaid(catalogue, fixed(hours, 1)) })
    : say(catalogue, "page.frame.age_days", { days: Math.floor(whole / 24) });
};
