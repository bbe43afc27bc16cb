// The contents of the exam, as of a book: chapters by how the newborn lies, pages by region, with how far each is.
import { button, h } from "./dom.mjs";
import { app, current, go } from "./state.mjs";
import { pagesOf, progressOf } from "./pages.mjs";
import { said } from "./said.mjs";

const lineOf = (doc, page, number) => {
  const { done, all, abnormal, half } = progressOf(doc, page);
  const marks = [
    all ? said(done === all ? "exam.whole" : "exam.part", { done, all }) : said("exam.optional"),
    abnormal ? `▲ ${abnormal}` : "",
    half ? said("exam.half", { number: half }) : "",
  ];
  const here = app.view === "page" && doc.page === number;
  return h("li", {},
    h("button.entry", {
      type: "button",
      "aria-current": here ? "page" : null,
      onclick: () => {
        current().page = number;
        go("page");
      },
    }, h("span.name", {}, page.label), h("span.lead", {}), h(all && done === all ? "span.count.whole" : "span.count", {}, marks.filter(Boolean).join("  "))));
};

/** The list of chapters and pages. */
export const contents = (doc) => {
  const pages = pagesOf(doc).map((page, number) => ({ page, number }));
  const part = (title, how, ones) => (ones.length ? [h("h3", {}, title), how && h("p.hint", {}, how), h("ol", {}, ones.map(({ page, number }) => lineOf(doc, page, number)))] : null);
  return [
    h("div.contents", {},
      app.catalogue.stages.map((stage) => part(stage.label, stage.how, pages.filter(({ page }) => page.stage === stage && page.asked.length))),
      part(said("exam.further"), null, pages.filter(({ page }) => !page.asked.length))),
  ];
};

/** The contents as a view of its own, on a small screen. */
export const contentsView = (doc) =>
  h("article", {}, h("h2", { tabindex: "-1" }, said("contents")), contents(doc),
    button(said("all_exams"), () => go("start")));
