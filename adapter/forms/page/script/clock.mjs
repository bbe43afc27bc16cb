// Whether this device's clock can be believed: it is not far from the clock of the program that served the page, and
// nothing kept here was made after it. Nothing is said where neither is known.
import { inPeoplesWords, instant, isoOf, now } from "./moments.mjs";
import { doubt } from "./problems.mjs";

/** Clocks that differ by less are taken as the same (common practice), in milliseconds. */
const APART = 5 * 60000;

let ahead = null;

/** Ask the program that served the page for its time (RFC 9110, 6.6.1, Date); without an answer nothing is known. */
export const askServersTime = async () => {
  const before = Date.now();
  const answer = await fetch("./", { method: "HEAD", cache: "no-store", signal: AbortSignal.timeout(5000) }).catch(() => null);
  const date = Date.parse(answer?.headers.get("Date") ?? "");
  ahead = Number.isNaN(date) ? null : (before + Date.now()) / 2 - date;
};

/** What is doubtful of the clock and of an exam begun by it; `others` are the other exams that this device keeps. */
export const clockDoubts = (started, others) => {
  const here = now();
  const says = `This device's clock says ${inPeoplesWords(here)}`;
  const remedy = "Set the clock of this device first; every age and time comes from it.";
  const made = others.flatMap((doc) => [doc.made, doc.saved?.at]).filter(Boolean);
  const last = made.reduce((a, b) => (a === null || instant(b) > instant(a) ? b : a), null);
  const micro = BigInt(APART) * 1000n;
  if (ahead !== null && Math.abs(ahead) > APART)
    return [doubt("clock", `${says}, that of the ward computer ${inPeoplesWords(isoOf(new Date(Date.now() - ahead)))}.`, remedy, "started")];
  if (last && instant(last) > instant(here) + micro)
    return [doubt("clock", `${says}, but an exam was kept here at ${inPeoplesWords(isoOf(new Date(last)))}.`, remedy, "started")];
  if (instant(started) > instant(here) + micro)
    return [doubt("clock", `${says}, and the exam begins later, ${inPeoplesWords(started)}.`, "Check when it begins, and this device's clock.", "started")];
  return [];
};
