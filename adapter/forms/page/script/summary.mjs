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
import { inline } from "./say.mjs";
import { valueInWords, whereInWords } from "./words.mjs";

const row = (one) => {
  const { finding, item, judged } = one;
  const marks = [judged && judged.meaning !== "expected" ? (judged.meaning === "abnormal" ? "▲ abnormal" : judged.meaning) : "",
    finding.state ? inline(app.catalogue, "states", finding.state, app.catalogue.states[finding.state]) : "",
    finding.counted_seconds ? `counted ${finding.counted_seconds} s` : "", finding.note ?? ""];
  return h("tr", {}, h("th", { scope: "row" }, whereInWords(item, finding, app.catalogue)),
    h("td", {}, valueInWords(finding, item, app.catalogue)), h("td", {}, marks.filter(Boolean).join("; ")));
};

const table = (title, ones) =>
  ones.length
    ? [h("h3", {}, `${title} (${ones.length})`), h("section.scroll", { tabindex: "0", "aria-label": title },
        h("table", {}, h("thead", {}, h("tr", {}, ["Looked at", "Found", "Marks"].map((words) => h("th", { scope: "col" }, words)))), h("tbody", {}, ones.map(row))))]
    : null;

const answered = (doc) => {
  const { answer } = doc.saved ?? {};
  if (!answer) return null;
  const part = (title, lines) => lines?.length ? [h("h4", {}, title), h("ul", {}, lines.map((line) => h("li", {}, `${line.words}${line.because?.length ? ` (${line.because.join("; ")})` : ""}`)))] : null;
  return h("section.answer-of-adapter", {}, h("h3", {}, "The adapter's list, which counts"),
    part("Tell the provider now", answer.tell?.now), part("Tell the provider within this shift", answer.tell?.soon),
    part("Tell the provider at the next round", answer.tell?.next), part("Still to do", answer.tell?.todo),
    answer.problems?.length ? [h("h4", {}, "To look at"), h("ul", {}, answer.problems.map((one) => h("li", {}, `${one.what} ${one.remedy}`)))] : null);
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
    table("Not as expected", notable),
    table("Not examined", captured.filter((one) => one.finding.not_examined)),
    h("h3", {}, `Not recorded (${gaps.length})`),
    gaps.length ? h("p", {}, gaps.map((gap) => `${app.catalogue.items.get(gap.item).label}${gap.side ? `, ${gap.side}` : ""}`).join("; ")) : h("p", {}, "Nothing that this kind of exam asks for."),
    table("As expected, or not judged", found.filter((one) => !notable.includes(one))), caution());
};
