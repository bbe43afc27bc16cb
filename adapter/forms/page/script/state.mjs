// What is open on this page: the exams kept here, the one being examined, and how a change is made to it.
import { instant, now } from "./moments.mjs";
import { earlierRecords } from "./earlier.mjs";
import { gapsOf } from "./completeness.mjs";
import { evidence, tellList } from "./tell.mjs";
import { problemsOf } from "./checks.mjs";
import { checkPeople } from "./check_people.mjs";
import { recordOf } from "./record.mjs";
import { say } from "./say.mjs";

export const app = {
  catalogue: null,
  store: null,
  docs: [],
  key: null,
  view: "start",
  kept: {},
  undo: new Map(),
  render: () => {},
  refresh: () => {},
};

/** The exam being examined. */
export const current = () => app.docs.find((doc) => doc.key === app.key) ?? null;

/** The other twin's exam, where one is open beside this. */
export const otherOf = (doc) => app.docs.find((other) => other.key === doc.twin) ?? null;

const derivedCache = new Map();

/** Everything that follows from an exam's record: the record to be saved, tell list, problems, gaps. */
export const derived = (doc) => {
  const saved = app.docs.filter((other) => other.saved && other.key !== doc.key);
  const rev = [doc, ...saved].map((one) => `${one.key}${one.rev}`).join();
  const known = derivedCache.get(doc.key);
  if (known && known.rev === rev) return known;
  const record = recordOf(doc);
  const ready =
    instant(record.newborn.birth_time) !== null && instant(record.exam.started) !== null && app.catalogue.kinds[record.exam.kind];
  const pool = ready ? evidence(record, app.catalogue, earlierRecords(saved.map(recordOf), record)) : [];
  const made = {
    rev,
    record,
    pool,
    told: ready ? tellList(record, app.catalogue, pool) : [],
    problems: ready ? problemsOf(record, app.catalogue) : checkPeople(record, app.catalogue),
    gaps: gapsOf(record, app.catalogue),
  };
  derivedCache.set(doc.key, made);
  return made;
};

const keep = (doc) => {
  doc.rev += 1;
  app.kept[doc.key] = false;
  app.store.keep(doc);
};

/** When a finding was tapped, in an exam that is recorded as it is made: not of what is read from a record or was before. */
const stamp = (doc, before) => {
  if (!doc.live || doc.record.exam.status !== "final") return;
  for (const finding of doc.record.findings) {
    const item = app.catalogue.items.get(finding.item);
    if (before.has(finding) || item.precede || item.type === "time" || item.minutes_after_birth !== undefined) continue;
    finding.tapped ??= now();
  }
};

const snapshot = (doc) => JSON.stringify({ findings: doc.record.findings, told: doc.record.told, drafts: doc.drafts });

/** Change one exam's findings: kept at once, can be undone. `same` joins typing in one field into one step. */
export const commit = (doc, words, change, { same = null, items = null } = {}) => {
  if (doc.saved || !doc.begun || doc.key !== app.key) return;
  const steps = app.undo.get(doc.key) ?? [];
  if (!same || steps.at(-1)?.same !== same) steps.push({ words, same, before: snapshot(doc) });
  app.undo.set(doc.key, steps.slice(-40));
  const before = new Set(doc.record.findings);
  change(doc);
  stamp(doc, before);
  if (items?.length === 1) [doc.at] = items;
  keep(doc);
  app.refresh(items, words);
};

/** Take the last step back. */
export const undo = (doc) => {
  const step = app.undo.get(doc.key)?.pop();
  if (!step || doc.saved) return;
  const { findings, told, drafts } = JSON.parse(step.before);
  Object.assign(doc.record, { findings, told });
  doc.drafts = drafts;
  keep(doc);
  app.render(say(app.catalogue, "page.ways.undone", { words: step.words }));
};

/** What the next undo would take back. */
export const undoWords = (doc) => app.undo.get(doc.key)?.at(-1)?.words ?? null;

/** Change what is known about an exam or its newborn; no step of its own to undo. */
export const setFields = (doc, change) => {
  change(doc);
  keep(doc);
};

/** Where an exam is gone on with: who first, then its pages; a saved one is read. */
export const placeOf = (doc) => (doc.saved ? "summary" : doc.begun ? "page" : "who");

/** Go to a view of the open exam. */
export const go = (view, words = "") => {
  app.view = view;
  app.render(words, { top: true });
};
