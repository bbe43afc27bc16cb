// The frame round every view: who is examined on top, always; the way to the other views at the thumb below.
import { announce, h, sheetHead } from "./dom.mjs";
import { app, current, otherOf } from "./state.mjs";
import { identity, identityLine } from "./identity.mjs";
import { keepingLine } from "./keeping.mjs";
import { contents, contentsView } from "./contents.mjs";
import { pageView, refreshPage } from "./exam_page.mjs";
import { startView } from "./start.mjs";
import { whoView } from "./who.mjs";
import { toldPanel, toldView } from "./told.mjs";
import { finishView } from "./finish.mjs";
import { summaryView } from "./summary.mjs";
import { bar } from "./ways.mjs";
import { guard, startBack } from "./back.mjs";
import { nameSheets } from "./sheets.mjs";
import { openHere, remembered } from "./store.mjs";
import { said } from "./said.mjs";

const VIEWS = {
  start: startView, who: whoView, contents: contentsView, page: pageView, told: toldView, finish: finishView,
  summary: summaryView,
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

const remain = (doc) => {
  openHere(doc && app.view !== "start" ? { key: doc.key, view: app.view, page: doc.page, at: doc.at } : null);
  guard();
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
  remain(doc);
  const focus = document.activeElement?.getAttribute?.("data-focus");
  page.dataset.later = said("print_later");
  page.className = inside ? `inside view-${app.view}` : `view-${app.view}`;
  const title = h("h1.hidden", {}, said("title"));
  page.replaceChildren(
    ...(inside
      ? [
          h("header.top", { id: "top" }),
          h("nav.aside", { id: "aside", "aria-label": said("frame.contents") }),
          h("main", { id: "main" }, title, keepingLine(), VIEWS[app.view](doc)),
          h("section.asidetold", { id: "asidetold", "aria-label": said("to_be_told") }),
          h("nav.ways", { id: "ways", "aria-label": said("frame.ways") }),
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
  document.title = doc && app.view !== "start" ? said("title_of", { name: doc.record.newborn.name || said("newborn") }) : said("title");
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
  remain(current());
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
  startBack();
};

