// What became of the exams that were handed over: asked of the program that served the page, now and then.
import { announce, button, h } from "./dom.mjs";
import { inPeoplesWords, now } from "./moments.mjs";
import { app, go, setFields } from "./state.mjs";

const WORDS = {
  waiting: "waiting on the ward computer, not on the server yet",
  sent: "on the server",
  verified: "on the server, read back and the same",
  differs: "on the server, but not as it was sent",
  superseded: "not sent: a newer version goes before it",
  refused: "NOT on the server: refused",
  unknown: "not, or no longer, found on the ward computer",
};
const SOON = 5000;
const LATER = 60000;
let timer = null;
let reached = true;

const followed = () => app.docs.filter((doc) => doc.saved?.how === "handed");
const bad = (doc) => ["refused", "differs", "unknown"].includes(doc.saved.fate?.state);

const reasons = (doc) =>
  (doc.saved.fate?.why ?? []).map((one) => h("li", {}, one.remedy ? `Expected: ${one.remedy} (${one.rule})` : one.rule));

/** Where an exam is that was handed over, as a line of the first view; nothing of others. */
export const fateLine = (doc) => {
  if (doc.saved?.how !== "handed") return null;
  const { fate } = doc.saved;
  const words = WORDS[fate?.state] ?? "handed over; not asked yet what became of it";
  return h(bad(doc) ? "span.line.problem.error" : "span.line", { "data-fate": doc.key },
    `${bad(doc) ? "▲ " : ""}${words}`, reached ? "" : ` (as of ${inPeoplesWords(fate?.at ?? doc.saved.at)}; the ward computer does not answer)`);
};

const reopen = (doc) => {
  setFields(doc, () => (doc.saved = null));
  go("finish", "Open again: mend it, and hand it over again");
};

/** The same in the exam, with the reasons and what can be done. */
export const fatePart = (doc) =>
  doc.saved?.how === "handed"
    ? h("section", { "data-fate-part": doc.key, "aria-label": "What became of it" }, h("p", {}, fateLine(doc)),
        h("ul.problems", {}, reasons(doc)),
        doc.saved.fate?.state === "refused" ? button("Open it again, to mend it and hand it over again", () => reopen(doc)) : null)
    : null;

const show = () => {
  for (const doc of followed()) {
    document.querySelectorAll(`[data-fate="${CSS.escape(doc.key)}"]`).forEach((old) => old.closest("[data-fate-part]") ?? old.replaceWith(fateLine(doc)));
    const part = document.querySelector(`[data-fate-part="${CSS.escape(doc.key)}"]`);
    if (part && !part.contains(document.activeElement)) part.replaceWith(fatePart(doc));
  }
};

const ask = async (docs) => {
  const query = new URLSearchParams(docs.map((doc) => ["id", doc.record.exam.id]));
  const answer = await fetch(`exams?${query}`, { signal: AbortSignal.timeout(20000) });
  return (await answer.json()).exams;
};

const look = async () => {
  const docs = followed().slice(0, 200);
  if (!docs.length || document.hidden) return LATER;
  const known = await ask(docs).catch(() => null);
  reached = Boolean(known);
  let changed = false;
  for (const doc of docs) {
    const one = known?.[doc.record.exam.id];
    if (!one || !doc.saved || JSON.stringify([one.state, one.why]) === JSON.stringify([doc.saved.fate?.state, doc.saved.fate?.why])) continue;
    changed = true;
    setFields(doc, () => (doc.saved.fate = { state: one.state, why: one.why ?? [], at: now() }));
    if (bad(doc)) announce(`${doc.record.newborn.name || "An exam"}: ${WORDS[one.state]}`);
  }
  show();
  return changed || docs.some((doc) => ["waiting", undefined].includes(doc.saved?.fate?.state)) ? SOON : LATER;
};

/** Ask now, and again while the page is in sight: every 5 seconds while one waits or something changed, else every minute. */
export const follow = async () => {
  if (!app.catalogue.served) return;
  clearTimeout(timer);
  timer = null;
  const wait = await look();
  clearTimeout(timer);
  timer = setTimeout(follow, wait);
};

/** Begin to follow what was handed over. */
export const startFollowing = () => {
  document.addEventListener("visibilitychange", () => !document.hidden && follow());
  return follow();
};
