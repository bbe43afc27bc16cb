// The exam as pages: of each stage (how the newborn lies) its regions, with the items asked for and what may be added.
import { applies } from "./completeness.mjs";
import { app, derived } from "./state.mjs";

const madeOf = (doc) => {
  const { catalogue } = app;
  const expected = new Set(catalogue.kinds[doc.record.exam.kind]?.expected ?? []);
  // What is on record stays in reach, also where it does not belong to this infant.
  const held = new Set([...doc.record.findings, ...doc.drafts].map((entry) => entry.item));
  const all = catalogue.stages.flatMap((stage) =>
    (stage.pages ?? []).map(([label, ids]) => {
      const items = ids.map((id) => catalogue.items.get(id)).filter((item) => applies(item, doc.record) || held.has(item.id));
      return {
        stage, label,
        asked: items.filter((item) => expected.has(item.id) && applies(item, doc.record)),
        more: items.filter((item) => !expected.has(item.id) || !applies(item, doc.record)),
      };
    }),
  );
  const asked = all.filter((page) => page.asked.length);
  return [...asked, ...all.filter((page) => !page.asked.length && page.more.length)];
};

const known = new WeakMap();

/** The pages of an exam in order: {stage, label, asked, more}. Without `asked`, a page is one of further things. */
export const pagesOf = (doc) => {
  const state = derived(doc);
  if (!known.has(state)) known.set(state, madeOf(doc));
  return known.get(state);
};

/** How far a page is: items with nothing missing, of those asked for; how many findings are abnormal. */
export const progressOf = (doc, page) => {
  const { gaps, pool } = derived(doc);
  const open = new Set(gaps.map((gap) => gap.item));
  const ids = new Set([...page.asked, ...page.more].map((item) => item.id));
  return {
    done: page.asked.filter((item) => !open.has(item.id)).length,
    all: page.asked.length,
    abnormal: pool.filter((one) => one.from === null && ids.has(one.item.id) && one.judged?.meaning === "abnormal").length,
    half: doc.drafts.filter((entry) => ids.has(entry.item)).length,
  };
};

/** The whole exam's progress. */
export const progress = (doc) => {
  const each = pagesOf(doc).map((page) => progressOf(doc, page));
  return { done: each.reduce((sum, p) => sum + p.done, 0), all: each.reduce((sum, p) => sum + p.all, 0) };
};

/** The page that holds an item, as its number. */
export const pageOfItem = (doc, id) =>
  pagesOf(doc).findIndex((page) => [...page.asked, ...page.more].some((item) => item.id === id));
