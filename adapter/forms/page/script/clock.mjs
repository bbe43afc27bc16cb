// Whether this device's clock can be believed: it is not far from the clock of the program that served the page, and
// nothing kept here was made after it. Nothing is said where neither is known.
import { instant, isoOf, now } from "./moments.mjs";
import { doubt } from "./problems.mjs";
import { moment } from "./said.mjs";
import { app } from "./state.mjs";

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
  const one = (key, there) => [doubt(app.catalogue, "clock", "started", { here: moment(here), there: moment(there) }, key)];
  const made = others.flatMap((doc) => [doc.made, doc.saved?.at]).filter(Boolean);
  const last = made.reduce((a, b) => (a === null || instant(b) > instant(a) ? b : a), null);
  const micro = BigInt(APART) * 1000n;
  if (ahead !== null && Math.abs(ahead) > APART) return one("clock_server", isoOf(new Date(Date.now() - ahead)));
  if (last && instant(last) > instant(here) + micro) return one("clock_kept", isoOf(new Date(last)));
  return instant(started) > instant(here) + micro ? one("clock_later", started) : [];
};
