// What is left of an exam, in its order: named, and led to.
import { app, derived, go } from "./state.mjs";
import { named } from "./said.mjs";
import { pageOfItem, pagesOf } from "./pages.mjs";

/** What is still open in the order of the pages: {item, side, page}. */
export const openItems = (doc) => {
  const gaps = derived(doc).gaps;
  return pagesOf(doc).flatMap(({ asked }, page) =>
    asked.flatMap((item) => gaps.filter((gap) => gap.item === item.id).map(({ side }) => ({ item, side, page }))));
};

/** What one is called. */
export const openWords = ({ item, side }) => named(item, side);

/** The open item that comes after the one last touched or led to, and after the last of them the first; or null. */
export const nextOpen = (doc) => {
  const open = openItems(doc);
  const here = pagesOf(doc)[doc.page]?.asked ?? [];
  const at = here.findIndex((item) => item.id === doc.at);
  const later = ({ item, page }) => page > doc.page || (page === doc.page && here.indexOf(item) > at);
  return open.find(later) ?? open[0] ?? null;
};

const show = (id) => {
  const card = document.getElementById(`card-${id}`);
  card?.scrollIntoView({ block: "start" });
  (card?.querySelector("input.number") ?? card?.querySelector("h3"))?.focus({ preventScroll: true });
};

/** Go to an item of the exam, wherever it is. */
export const leadTo = (doc, id) => {
  const page = pageOfItem(doc, id);
  if (page < 0) return;
  Object.assign(doc, { page, at: id });
  go("page", app.catalogue.items.get(id).label);
  show(id);
};

/** Go to the next open item; to the end where nothing is open. */
export const goOn = (doc) => {
  const next = nextOpen(doc);
  return next ? leadTo(doc, next.item.id) : go("finish");
};

/** After all of a page was dealt with in one action: on to the next page, or to what is still open on this one. */
export const afterRest = (doc) => {
  const here = openItems(doc).find(({ page }) => page === doc.page);
  if (here) return leadTo(doc, here.item.id);
  const pages = pagesOf(doc);
  if (!pages[doc.page + 1]?.asked.length) return go("finish");
  doc.page += 1;
  return go("page", pages[doc.page].label);
};
