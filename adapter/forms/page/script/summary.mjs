// The saved exam to read and to print: who, what must be told, what was found, what was not examined or not recorded.
import { bdi, button, h } from "./dom.mjs";
import { inPeoplesWords } from "./moments.mjs";
import { app, derived, go } from "./state.mjs";
import { amendmentOf } from "./record.mjs";
import { addDoc } from "./start.mjs";
import { nameOf, orderWords } from "./identity.mjs";
import { caution } from "./cautions.mjs";
import { fatePart } from "./handed.mjs";
import { toldPanel } from "./told.mjs";
import { downloadRecord, shareButton } from "./saving.mjs";
import { clauses, digitsSaid, inline, say } from "./say.mjs";
import { valueInWords, whereInWords } from "./words.mjs";

const said = (key, parts) => say(app.catalogue, `page.${key}`, parts);
const soon = (urgency) => app.catalogue.tellWords[urgency].heading;

const row = (one) => {
  const { finding, item, judged } = one;
  const marks = [judged && judged.meaning !== "expected" ? `${judged.meaning === "abnormal" ? "▲ " : ""}${inline(app.catalogue, "meanings", judged.meaning)}` : "",
    finding.state ? inline(app.catalogue, "states", finding.state, app.catalogue.states[finding.state]) : "",
    finding.counted_seconds ? said("counted", { seconds: digitsSaid(app.catalogue, finding.counted_seconds) }) : "", finding.note ?? ""];
  return h("tr", {}, h("th", { scope: "row" }, whereInWords(item, finding, app.catalogue)),
    h("td", {}, valueInWords(finding, item, app.catalogue)), h("td", {}, clauses(app.catalogue, marks)));
};

const table = (title, ones) =>
  ones.length
    ? [h("h3", {}, `${title} (${ones.length})`), h("section.scroll", { tabindex: "0", "aria-label": title },
        h("table", {}, h("thead", {}, h("tr", {}, ["looked_at", "found", "marks"].map((key) => h("th", { scope: "col" }, said(key))))), h("tbody", {}, ones.map(row))))]
    : null;

const answered = (doc) => {
  const { answer } = doc.saved ?? {};
  if (!answer) return null;
  const part = (title, lines) => lines?.length ? [h("h4", {}, title), h("ul", {}, lines.map((line) => h("li", {}, `${line.words}${line.because?.length ? ` (${line.because.join("; ")})` : ""}`)))] : null;
  return h("section.answer-of-adapter", {}, h("h3", {}, said("counts")),
    part(soon("tell-now"), answer.tell?.now), part(soon("tell-soon"), answer.tell?.soon),
    part(soon("tell"), answer.tell?.next), part(soon("none"), answer.tell?.todo),
    answer.problems?.length ? [h("h4", {}, said("to_look_at")), h("ul", {}, answer.problems.map((one) => h("li", {}, `${one.what} ${one.remedy}`)))] : null);
};

const correct = (doc) => {
  const copy = addDoc(amendmentOf(doc));
  app.key = copy.key;
  go("page", "A correction: the saved exam stays as it is");
};

/** The view. */
export const summaryView = (doc) => {
  const { pool, gaps, record } = derived(doc);
  const captured = pool.filter((one) => one.from === null);
  const found = captured.filter((one) => !one.finding.not_examined);
  const notable = found.filter((one) => one.judged && one.judged.meaning !== "expected");
  const saved = doc.saved;
  const { exam } = record;
  const words = !saved ? "Not saved yet." : saved.how === "file" ? `Saved ${inPeoplesWords(saved.at)}, in the browser's downloads, as ${saved.file}` : `Sent to the ward computer ${inPeoplesWords(saved.at)} as ${saved.file}`;
  return h("article.summary", {}, h("h2", { tabindex: "-1" }, "Summary of ", bdi(nameOf(doc)), orderWords(doc) ? `, baby ${orderWords(doc)}` : ""),
    h("p.saved", { role: "status" }, words), fatePart(doc),
    h("p", {}, `${app.catalogue.kinds[exam.kind]?.label ?? ""}, exam ${exam.id}${exam.amends ? `, corrects ${exam.amends}: ${exam.reason ?? ""}` : ""}. Begun ${inPeoplesWords(exam.started)}`, exam.ended ? `, ended ${inPeoplesWords(exam.ended)}.` : "."),
    h("div.row.screen", {},
      button("Print", () => print(), {}, "button.main"), button("The file again", () => downloadRecord(doc)), shareButton(doc),
      saved ? button("Correct this exam …", () => correct(doc)) : null, button("All exams on this device", () => go("start"))),
    answered(doc), toldPanel(doc),
    table(said("not_as_expected"), notable),
    table(said("not_examined"), captured.filter((one) => one.finding.not_examined)),
    h("h3", {}, said("not_recorded", { number: gaps.length })),
    gaps.length ? h("p", {}, clauses(app.catalogue, gaps.map((gap) => whereInWords(app.catalogue.items.get(gap.item), gap, app.catalogue)))) : h("p", {}, said("nothing_missing")),
    table(said("as_expected"), found.filter((one) => !notable.includes(one))), caution());
};
