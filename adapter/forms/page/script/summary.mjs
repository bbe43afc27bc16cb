// The saved exam to read and to print: who, what must be told, what was found, what was not examined or not recorded.
import { bdi, button, h } from "./dom.mjs";
import { app, derived, go } from "./state.mjs";
import { amendmentOf } from "./record.mjs";
import { addDoc } from "./start.mjs";
import { nameOf, orderWords } from "./called.mjs";
import { caution } from "./cautions.mjs";
import { fatePart } from "./handed.mjs";
import { toldPanel } from "./told.mjs";
import { downloadRecord, problemOfAdapter, shareButton } from "./saving.mjs";
import { clauses, digitsSaid, inline } from "./say.mjs";
import { counted, markedMeaning, moment, said, saidWith, together } from "./said.mjs";
import { valueInWords, whereInWords } from "./words.mjs";

const soon = (urgency) => app.catalogue.tellWords[urgency].heading;

const row = (one) => {
  const { finding, item, judged } = one;
  const marks = [judged && judged.meaning !== "expected" && markedMeaning(judged.meaning),
    finding.state ? inline(app.catalogue, "states", finding.state, app.catalogue.states[finding.state]) : "",
    finding.counted_seconds ? said("counted", { seconds: digitsSaid(app.catalogue, finding.counted_seconds) }) : "", finding.note ?? ""];
  return h("tr", {}, h("th", { scope: "row" }, whereInWords(item, finding, app.catalogue)),
    h("td", {}, valueInWords(finding, item, app.catalogue)), h("td", {}, clauses(app.catalogue, marks)));
};

const table = (title, ones) =>
  ones.length
    ? [h("h3", {}, counted(title, ones)), h("section.scroll", { tabindex: "0", "aria-label": title },
        h("table", {}, h("thead", {}, h("tr", {}, ["looked_at", "found", "marks"].map((key) => h("th", { scope: "col" }, said(key))))), h("tbody", {}, ones.map(row))))]
    : null;

const answered = (doc) => {
  const { answer } = doc.saved ?? {};
  if (!answer) return null;
  const part = (title, lines) => lines?.length ? [h("h4", {}, title), h("ul", {}, lines.map((line) => h("li", {}, line.because?.length ? said("summary.because", { line: line.words, because: together(...line.because) }) : line.words)))] : null;
  return h("section.answer-of-adapter", {}, h("h3", {}, said("counts")),
    part(soon("tell-now"), answer.tell?.now), part(soon("tell-soon"), answer.tell?.soon),
    part(soon("tell"), answer.tell?.next), part(soon("none"), answer.tell?.todo),
    answer.problems?.length ? [h("h4", {}, said("to_look_at")), h("ul", {}, answer.problems.map((one) => h("li", {}, problemOfAdapter(one))))] : null);
};

const correct = (doc) => {
  const copy = addDoc(amendmentOf(doc));
  app.key = copy.key;
  go("page", said("summary.correcting"));
};

const savedWords = (saved) => {
  if (!saved) return said("summary.not_saved");
  return said(saved.how === "file" ? "summary.saved" : "summary.sent", { at: moment(saved.at), file: saved.file });
};

const examWords = (exam) => {
  const parts = { kind: app.catalogue.kinds[exam.kind]?.label ?? "", id: exam.id, exam: exam.amends, reason: exam.reason ?? "" };
  const words = said(exam.amends ? "summary.corrects" : "summary.exam", parts);
  return said(exam.ended ? "summary.begun_ended" : "summary.begun", { exam: words, from: moment(exam.started), to: moment(exam.ended) });
};

/** The view. */
export const summaryView = (doc) => {
  const { pool, gaps, record } = derived(doc);
  const captured = pool.filter((one) => one.from === null);
  const found = captured.filter((one) => !one.finding.not_examined);
  const notable = found.filter((one) => one.judged && one.judged.meaning !== "expected");
  const order = orderWords(record.newborn);
  const name = [bdi(nameOf(doc)), order && ` (${said("frame.print_baby", { order })})`];
  return h("article.summary", {}, h("h2", { tabindex: "-1" }, saidWith("summary.title", { name })),
    h("p.saved", { role: "status" }, savedWords(doc.saved)), fatePart(doc),
    h("p", {}, examWords(record.exam)),
    h("div.row.screen", {},
      button(said("summary.print"), () => print(), {}, "button.main"), button(said("summary.file_again"), () => downloadRecord(doc)), shareButton(doc),
      doc.saved ? button(said("summary.correct"), () => correct(doc)) : null, button(said("all_exams"), () => go("start"))),
    answered(doc), toldPanel(doc),
    table(said("not_as_expected"), notable),
    table(said("not_examined"), captured.filter((one) => one.finding.not_examined)),
    h("h3", {}, said("not_recorded", { number: gaps.length })),
    gaps.length ? h("p", {}, clauses(app.catalogue, gaps.map((gap) => whereInWords(app.catalogue.items.get(gap.item), gap, app.catalogue)))) : h("p", {}, said("nothing_missing")),
    table(said("as_expected"), found.filter((one) => !notable.includes(one))), caution());
};
