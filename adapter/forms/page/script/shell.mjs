// The frame round every view: who is examined on top, always; the way to the other views at the thumb below.
import { announce, h, sheetHead } from "./dom.mjs";
import { app, current, derived, go, otherOf, undo, undoWords } from "./state.mjs";
import { identity, identityLine } from "./identity.mjs";
import { keepingLine } from "./keeping.mjs";
import { contents, contentsView } from "./contents.mjs";
import { pageView, refreshPage } from "./exam_page.mjs";
import { pagesOf } from "./pages.mjs";
import { startView } from "./start.mjs";
import { whoView } from "./who.mjs";
import { toldPanel, toldView } from "./told.mjs";
import { finishView } from "./finish.mjs";
import { summaryView } from "./summary.mjs";
import { nameSheets } from "./sheets.mjs";
import { openHere, remembered } from "./store.mjs";

const VIEWS = {
  start: startView, who: whoView, contents: contentsView, page: pageView, told: toldView, finish: finishView,
  summary: summaryView,
};

const counts = (doc) => {
  const lines = derived(doc).told;
  const count = (urgency) => lines.filter((line) => line.urgency === urgency && !(urgency === "none")).length;
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

const bar = (doc) => {
  const { now, soon, next } = counts(doc);
  const told = [h("b", {}, `${now}`), " now · ", soon ? [h("b", {}, `${soon}`), " this shift · "] : "", h("b", {}, `${next}`), " next round"];
  const back = undoWords(doc);
  const item = (words, small, view, onclick, extra = {}) =>
    h("button.way", { type: "button", onclick, "aria-current": app.view === view ? "page" : null, ...extra },
      h("span", {}, words), small && h(typeof small === "string" ? "small.long" : "small", {}, small));
  return [
    item("Previous page", null, null, () => step(doc, -1), { "aria-label": "Previous page", disabled: app.view !== "page" }),
    item("Contents", null, "contents", () => go("contents")),
    item("To tell", told, "told", () => go("told")),
    item("Undo", back, null, () => undo(doc), { disabled: !back || Boolean(doc.saved) }),
    item("Finish", null, "finish", () => go("finish")),
    item("Next page", null, null, () => (app.view === "page" ? step(doc, 1) : go("page")), { "aria-label": "Next page" }),
  ];
};

const showBar = () => {
  const doc = current();
  const place = document.getElementById("ways");
  if (place && doc) place.replaceChildren(...bar(doc));
};

const showTop = () => {
  const doc = current();
  const place = document.getElementById("top");
  if (place && doc) place.replaceChildren(...identity(doc, otherOf(doc)));
};

const inExam = () => current() && !["start", "who"].includes(app.view);

const showSides = () => {
  const doc = current();
  document.getElementById("aside")?.replaceChildren(...contents(doc));
  document.getElementById("asidetold")?.replaceChildren(...toldPanel(doc));
};

const render = (words = "", { top = false } = {}) => {
  const page = document.getElementById("page");
  const doc = current();
  const inside = inExam();
  openHere(doc && app.view !== "start" ? doc.key : "");
  const focus = document.activeElement?.getAttribute?.("data-focus");
  page.className = inside ? `inside view-${app.view}` : `view-${app.view}`;
  const title = h("h1.hidden", {}, "Newborn examination");
  page.replaceChildren(
    ...(inside
      ? [
          h("header.top", { id: "top" }),
          h("nav.aside", { id: "aside", "aria-label": "Contents of the exam" }),
          h("main", { id: "main" }, title, keepingLine(), VIEWS[app.view](doc)),
          h("section.asidetold", { id: "asidetold", "aria-label": "To be told" }),
          h("nav.ways", { id: "ways", "aria-label": "Ways" }),
        ]
      : [
          doc && app.view === "who" && doc.begun ? h("header.top", { id: "top" }) : "",
          h("main", { id: "main" }, title, app.view === "who" ? keepingLine() : null, VIEWS[app.view](doc)),
        ]),
  );
  if (inside || (doc && app.view === "who" && doc.begun)) showTop();
  if (inside) {
    showBar();
    showSides();
  }
  nameSheets(inside ? doc : null);
  document.title = doc && app.view !== "start" ? `${doc.record.newborn.name || "Newborn"}: examination` : "Newborn examination";
  if (top) {
    scrollTo(0, 0);
    page.querySelector("main").scrollTo(0, 0);
    (page.querySelector("main h2") ?? page.querySelector("main")).focus({ preventScroll: true });
  } else if (focus) page.querySelector(`[data-focus="${CSS.escape(focus)}"]`)?.focus();
  if (words) announce(words);
};

const refresh = (items, words) => {
  if (app.view === "page" && items) refreshPage(current(), items);
  else render();
  showBar();
  showTop();
  showSides();
  if (words) announce(words);
};

/** Put the frame up and choose the look. */
export const startShell = () => {
  app.render = render;
  app.refresh = refresh;
  sheetHead.of = () => (inExam() ? identityLine(current()) : null);
  document.documentElement.dataset.look = remembered("look") || "auto";
  document.body.append(h("p.hidden", { id: "said", "aria-live": "polite" }));
  addEventListener("beforeunload", (event) => {
    if (app.docs.some((doc) => app.kept[doc.key] === "lost" && !doc.saved)) event.preventDefault();
  });
};

