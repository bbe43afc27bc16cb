// The end: what is unset is listed and gets a reason, or is confirmed as not recorded; then the record is saved.
import { button, field, h } from "./dom.mjs";
import { app, current, derived, go, setFields } from "./state.mjs";
import { leadTo } from "./lead.mjs";
import { pagesOf } from "./pages.mjs";
import { gapsOn } from "./entry.mjs";
import { reasonSheet } from "./reason_sheet.mjs";
import { downloadRecord, saveDoc, sendDoc } from "./saving.mjs";
import { toldPanel } from "./told.mjs";
import { counted, is, named, said } from "./said.mjs";

const to = (doc, item) => () => leadTo(current(), item);

const unset = (doc) =>
  pagesOf(doc).flatMap((page) => {
    const gaps = gapsOn(doc, page.asked.map((item) => item.id), app.catalogue);
    if (!gaps.length) return [];
    return [
      h("section.unset", {}, h("h4", {}, counted(page.label, gaps)),
        h("ul.short", {}, gaps.map((gap) => h("li", {}, h("button.link", { type: "button", onclick: to(doc, gap.item) }, named(app.catalogue.items.get(gap.item), gap.side))))),
        button(said("end.all_missed"), () => reasonSheet(doc, page.label, gaps), { "aria-label": said("end.all_missed_of", { page: page.label }) })),
    ];
  });

const problemLines = (doc) => {
  const { problems } = derived(doc);
  const line = (one) => {
    const item = one.index === null ? null : doc.record.findings[one.index]?.item;
    const words = item ? is(app.catalogue.items.get(item).label, one.what) : one.what;
    const open = item ? to(doc, item) : () => go("who");
    return h(`li.problem.${one.severity}`, {}, h("button.link", { type: "button", onclick: open, "data-item": item }, words), ` ${one.remedy}`);
  };
  const half = doc.drafts.map((entry) =>
    h("li.problem.error", {}, h("button.link", { type: "button", onclick: to(doc, entry.item), "data-item": entry.item }, said("end.half", { item: app.catalogue.items.get(entry.item).label })), " ", said("end.half_remedy")));
  return [...problems.filter((one) => one.field !== "reason").map(line), ...half];
};

const blocking = (doc) =>
  derived(doc).problems.some((one) => one.severity === "error" && one.field !== "reason") || doc.drafts.length > 0;

const correction = (doc) =>
  doc.record.exam.status === "final"
    ? null
    : field(said("end.why"), h("textarea", {
        rows: "2", id: "why", dir: "auto", value: doc.record.exam.reason ?? "",
        oninput: (event) => setFields(doc, () => (doc.record.exam.reason = event.target.value)),
      }), said("end.corrects", { exam: doc.record.exam.amends }));

const saveButtons = (doc, gaps) => {
  const tick = h("input", { type: "checkbox", id: "leave" });
  const status = h("div", { role: "alert" });
  const run = (how) => () => {
    if (gaps.length && !tick.checked) {
      status.replaceChildren(h("p.problem.error", {}, said("end.confirm_first")));
      tick.focus();
    } else if (doc.record.exam.status !== "final" && !doc.record.exam.reason?.trim()) {
      status.replaceChildren(h("p.problem.error", {}, said("problem.missing.reason")));
      document.getElementById("why").focus();
    } else how(doc, status);
  };
  const label = said(app.catalogue.served ? "end.send" : "end.file");
  return [
    gaps.length ? h("label.tick.leave", {}, tick, said("end.stay", { count: gaps.length })) : null,
    correction(doc), status,
    h("div.row", {},
      button(label, run(app.catalogue.served ? sendDoc : saveDoc), { disabled: blocking(doc) }, "button.main.big"),
      app.catalogue.served ? button(said("end.file_instead"), run(saveDoc), { disabled: blocking(doc) }) : null),
    blocking(doc) ? h("p.hint", {}, said("end.mend_first"), " ", button(said("end.download"), () => downloadRecord(doc), {}, "button.small")) : null,
  ];
};

/** The view. */
export const finishView = (doc) => {
  if (doc.saved) {
    return h("article", {}, h("h2", { tabindex: "-1" }, said("end.finished")), h("p", {}, said("end.was_saved")),
      button(said("end.summary"), () => go("summary"), {}, "button.main.big"));
  }
  const { gaps } = derived(doc);
  const lines = problemLines(doc);
  return h("article.finish", {}, h("h2", { tabindex: "-1" }, said("finish")),
    h("h3", {}, said(lines.length ? "end.to_mend" : "end.no_errors")), h("ul.problems", {}, lines),
    h("h3", {}, gaps.length ? said("end.not_recorded", { number: gaps.length }) : said("end.all_recorded")),
    unset(doc),
    h("h3", {}, said("to_be_told")), toldPanel(doc),
    h("h3", {}, said("end.save")), saveButtons(doc, gaps),
    h("p.hint", {}, said("end.ends")));
};
