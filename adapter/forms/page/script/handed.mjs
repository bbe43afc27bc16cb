// What became of the exams that were handed over: asked of the program that served the page, now and then.
import { announce, button, h } from "./dom.mjs";
import { now } from "./moments.mjs";
import { is, moment, said } from "./said.mjs";
import { app, go, setFields } from "./state.mjs";

const STATES = ["waiting", "sent", "verified", "differs", "superseded", "refused", "unknown"];
const SOON = 5000;
const LATER = 60000;
let timer = null;
let reached = true;

const followed = () => app.docs.filter((doc) => doc.saved?.how === "handed");
const stateSaid = (state) => said(STATES.includes(state) ? `fate.${state}` : "fate.not_asked");
const bad = (doc) => ["refused", "differs", "unknown"].includes(doc.saved.fate?.state);

const reasons = (doc) =>
  (doc.saved.fate?.why ?? []).map((one) => h("li", {}, one.remedy ? said("fate.expected", one) : one.rule));

/** Where an exam is that was handed over, as a line of the first view; nothing of others. */
export const fateLine = (doc) => {
  if (doc.saved?.how !== "handed") return null;
  const { fate } = doc.saved;
  const words = `${bad(doc) ? "▲ " : ""}${stateSaid(fate?.state)}`;
  return h(bad(doc) ? "span.line.problem.error" : "span.line", { "data-fate": doc.key },
    reached ? words : said("fate.as_of", { words, at: moment(fate?.at ?? doc.saved.at) }));
};

const reopen = (doc) => {
  setFields(doc, () => (doc.saved = null));
  go("finish", said("fate.reopened"));
};

/** The same in the exam, with the reasons and what can be done. */
export const fatePart = (doc) =>
  doc.saved?.how === "handed"
    ? h("section", { "data-fate-part": doc.key, "aria-label": said("fate.label") }, h("p", {}, fateLine(doc)),
        h("ul.problems", {}, reasons(doc)),
        doc.saved.fate?.state === "refused" ? button(said("fate.reopen"), () => reopen(doc)) : null)
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
    if (bad(doc)) announce(is(doc.record.newborn.name || said("fate.exam"), stateSaid(one.state)));
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
