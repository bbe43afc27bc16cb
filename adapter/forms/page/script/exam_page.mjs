// One page of the exam: a region, its items, and what is done for all that is still unset on it.
import { button, h } from "./dom.mjs";
import { app, current, derived } from "./state.mjs";
import { gapsOn } from "./entry.mjs";
import { pagesOf } from "./pages.mjs";
import { card } from "./card.mjs";
import { reasonSheet } from "./reason_sheet.mjs";
import { said, saidOf } from "./said.mjs";

const rest = (doc, page) => {
  const gaps = gapsOn(doc, page.asked.map((item) => item.id), app.catalogue);
  const whole = page.asked.length && !gaps.length;
  if (doc.saved) return h("div.rest", { id: "rest" }, h("p.hint", {}, said("exam.saved")));
  return h("div.rest", { id: "rest" },
    h("p.count", {}, !page.asked.length ? said("exam.nothing_asked") : whole ? said("exam.all_recorded", { page: page.label }) : said("exam.not_yet", { count: gaps.length })),
    gaps.length ? button(said("exam.rest_missed"), () => reasonSheet(doc, page.label, gaps)) : null);
};

/** The view. */
export const pageView = (doc) => {
  const pages = pagesOf(doc);
  doc.page = Math.min(doc.page, pages.length - 1);
  const page = pages[doc.page];
  return h("article.exampage", {},
    h("p.stage", {}, page.stage.label, page.stage.how && h("span.hint", {}, ` ${page.stage.how}`), h("span.hint", {}, " ", saidOf("report.own_sides")),
      page.asked.some((item) => item.whole_numbers && item.limits) && h("span.hint", {}, " ", said("exam.leads_on"))),
    h("h2", { tabindex: "-1" }, page.label),
    page.asked.map((item) => card(doc, item)),
    rest(doc, page),
    page.more.length
      ? h("details.more", { open: !page.asked.length || page.more.some((item) => doc.record.findings.some((f) => f.item === item.id) || doc.drafts.some((f) => f.item === item.id)) },
          h("summary", {}, said("exam.more", { number: page.more.length })),
          page.more.map((item) => card(doc, item)))
      : null);
};

/** Show again the cards of some items and what is left on the page; a field being typed in is left alone. */
export const refreshPage = (doc, items) => {
  const pages = pagesOf(doc);
  const page = pages[doc.page];
  if (!page || items.includes("genital_type")) return app.render();
  for (const item of [...page.asked, ...page.more]) {
    const old = document.getElementById(`card-${item.id}`);
    if (!old || !items.includes(item.id)) continue;
    const typing = old.contains(document.activeElement) && document.activeElement.matches("input:not([type=checkbox]),textarea");
    const made = card(doc, item);
    if (typing) {
      old.className = made.className;
      old.querySelectorAll("[data-live]").forEach((live) => {
        const fresh = made.querySelector(`[data-live="${CSS.escape(live.dataset.live)}"]`);
        if (fresh) live.replaceWith(fresh);
      });
      continue;
    }
    const focus = old.contains(document.activeElement) ? document.activeElement.getAttribute("data-focus") : null;
    old.replaceWith(made);
    if (focus) made.querySelector(`[data-focus="${CSS.escape(focus)}"]`)?.focus();
  }
  document.getElementById("rest")?.replaceWith(rest(doc, page));
  return derived(current());
};
