// The bar at the thumb: what is left of the exam and the way to it, and below it the ways to the other views.
import { button, h } from "./dom.mjs";
import { app, derived, go, undo, undoWords } from "./state.mjs";
import { expectedOn } from "./entry.mjs";
import { expectedSheet } from "./expected_sheet.mjs";
import { afterRest, goOn, nextOpen, openItems, openWords } from "./lead.mjs";
import { pagesOf } from "./pages.mjs";
import { said, saidWith } from "./said.mjs";

const counts = (doc) => {
  const count = (urgency) => derived(doc).told.filter((line) => line.urgency === urgency).length;
  return { now: count("tell-now"), soon: count("tell-soon"), next: count("tell") };
};

const step = (doc, by) => {
  const pages = pagesOf(doc);
  const next = doc.page + by;
  if (next < 0) return go("contents");
  if (next >= pages.length || (by > 0 && !pages[next].asked.length && pages[doc.page].asked.length)) return go("finish");
  doc.page = next;
  return go("page");
};

const rest = (doc) => {
  const page = app.view === "page" ? pagesOf(doc)[doc.page] : null;
  const lines = page ? expectedOn(doc, page.asked.map((item) => item.id), app.catalogue).length : 0;
  return lines ? button(said("ways.rest", { number: lines }), () => expectedSheet(doc, page, () => afterRest(doc)), { "data-focus": "rest" }, "button.main") : null;
};

const left = (doc) => {
  const next = nextOpen(doc);
  if (!next) return app.view === "finish" ? null : button(said("ways.all_recorded"), () => go("finish"), { "data-focus": "next" }, "button.main");
  const all = openItems(doc);
  const here = all.filter(({ page }) => page === doc.page).length;
  return h("button.button.next", { type: "button", "data-focus": "next", onclick: () => goOn(doc) },
    h("span", {}, said("ways.next_open", { what: openWords(next) })), h("small", {}, said(app.view === "page" ? "ways.left_here" : "ways.left", { here, all: all.length })));
};

const ways = (doc) => {
  const bold = Object.fromEntries(Object.entries(counts(doc)).map(([key, count]) => [key, h("b", {}, `${count}`)]));
  const told = saidWith(counts(doc).soon ? "ways.to_tell_soon" : "ways.to_tell_counts", bold);
  const back = undoWords(doc);
  const item = (words, small, view, onclick, extra = {}) =>
    h("button.way", { type: "button", onclick, "aria-current": app.view === view ? "page" : null, ...extra },
      h("span", {}, words), small && h(typeof small === "string" ? "small.long" : "small", {}, small));
  return [
    item(said("ways.previous"), null, null, () => step(doc, -1), { disabled: app.view !== "page" }),
    item(said("contents"), null, "contents", () => go("contents")),
    item(said("ways.to_tell"), told, "told", () => go("told")),
    item(said("ways.undo"), back, null, () => undo(doc), { disabled: !back || Boolean(doc.saved) }),
    item(said("finish"), null, "finish", () => go("finish")),
    item(said("ways.next"), null, null, () => (app.view === "page" ? step(doc, 1) : go("page"))),
  ];
};

/** The bar. */
export const bar = (doc) => [
  doc.saved ? null : h("div.left", {}, rest(doc), left(doc)),
  h("div.views", {}, ways(doc)),
].filter(Boolean);
