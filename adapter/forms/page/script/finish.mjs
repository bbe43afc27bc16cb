// The end: what is unset is listed and gets a reason, or is confirmed as not recorded; then the record is saved.
import { button, field, h } from "./dom.mjs";
import { app, current, derived, go, setFields } from "./state.mjs";
import { leadTo } from "./lead.mjs";
import { pagesOf } from "./pages.mjs";
import { gapsOn } from "./entry.mjs";
import { reasonSheet } from "./reason_sheet.mjs";
import { downloadRecord, saveDoc, sendDoc } from "./saving.mjs";
import { toldPanel } from "./told.mjs";

const to = (doc, item) => () => leadTo(current(), item);

const named = (gap) => `${app.catalogue.items.get(gap.item).label}${gap.side ? `, ${gap.side}` : ""}`;

const unset = (doc) =>
  pagesOf(doc).flatMap((page) => {
    const gaps = gapsOn(doc, page.asked.map((item) => item.id), app.catalogue);
    if (!gaps.length) return [];
    return [
      h("section.unset", {}, h("h4", {}, `${page.label} (${gaps.length})`),
        h("ul.short", {}, gaps.map((gap) => h("li", {}, h("button.link", { type: "button", onclick: to(doc, gap.item) }, named(gap))))),
        button("All of these not examined …", () => reasonSheet(doc, page.label, gaps), { "aria-label": `All of these not examined, ${page.label} …` })),
    ];
  });

const problemLines = (doc) => {
  const { problems } = derived(doc);
  const line = (one) => {
    const item = one.index === null ? null : doc.record.findings[one.index]?.item;
    const label = item ? `${app.catalogue.items.get(item).label}: ` : "";
    const open = item ? to(doc, item) : () => go("who");
    return h(`li.problem.${one.severity}`, {}, h("button.link", { type: "button", onclick: open, "data-item": item }, `${label}${one.what}`), ` ${one.remedy}`);
  };
  const half = doc.drafts.map((entry) =>
    h("li.problem.error", {}, h("button.link", { type: "button", onclick: to(doc, entry.item), "data-item": entry.item }, `${app.catalogue.items.get(entry.item).label}: half typed`), " Finish it, or clear it."));
  return [...problems.filter((one) => one.field !== "reason").map(line), ...half];
};

const blocking = (doc) =>
  derived(doc).problems.some((one) => one.severity === "error" && one.field !== "reason") || doc.drafts.length > 0;

const correction = (doc) =>
  doc.record.exam.status === "final"
    ? null
    : field("Why it is corrected", h("textarea", {
        rows: "2", id: "why", dir: "auto", value: doc.record.exam.reason ?? "",
        oninput: (event) => setFields(doc, () => (doc.record.exam.reason = event.target.value)),
      }), `Corrects exam ${doc.record.exam.amends}.`);

const saveButtons = (doc, gaps) => {
  const tick = h("input", { type: "checkbox", id: "leave" });
  const said = h("div", { role: "alert" });
  const run = (how) => () => {
    if (gaps.length && !tick.checked) {
      said.replaceChildren(h("p.problem.error", {}, "Confirm first what stays not recorded, or give it a reason."));
      tick.focus();
    } else if (doc.record.exam.status !== "final" && !doc.record.exam.reason?.trim()) {
      said.replaceChildren(h("p.problem.error", {}, "A correction needs its reason."));
      document.getElementById("why").focus();
    } else how(doc, said);
  };
  const label = app.catalogue.served ? "Save and send" : "Save the record as a file";
  return [
    gaps.length ? h("label.tick.leave", {}, tick, `These ${gaps.length} stay not recorded. That is not normal, and will be reported so.`) : null,
    correction(doc), said,
    h("div.row", {},
      button(label, run(app.catalogue.served ? sendDoc : saveDoc), { disabled: blocking(doc) }, "button.main.big"),
      app.catalogue.served ? button("Save as a file instead", run(saveDoc), { disabled: blocking(doc) }) : null),
    blocking(doc) ? h("p.hint", {}, "What is wrong above must be mended first. ", button("Download the unfinished record", () => downloadRecord(doc), {}, "button.small")) : null,
  ];
};

/** The view. */
export const finishView = (doc) => {
  if (doc.saved) {
    return h("article", {}, h("h2", { tabindex: "-1" }, "Finished"), h("p", {}, "This exam was saved."),
      button("Summary, print, correct", () => go("summary"), {}, "button.main.big"));
  }
  const { gaps } = derived(doc);
  const lines = problemLines(doc);
  return h("article.finish", {}, h("h2", { tabindex: "-1" }, "Finish"),
    h("h3", {}, lines.length ? "To mend or to look at" : "No errors found on this page."), h("ul.problems", {}, lines),
    h("h3", {}, gaps.length ? `Not yet recorded (${gaps.length}): give a reason, or confirm below that it stays so` : "Everything asked for is recorded, or has its reason."),
    unset(doc),
    h("h3", {}, "To be told"), toldPanel(doc),
    h("h3", {}, "Save"), saveButtons(doc, gaps),
    h("p.hint", {}, "Saving ends the exam now. It stays on this device until you delete it."));
};
