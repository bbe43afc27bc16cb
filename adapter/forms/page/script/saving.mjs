// A record leaves the page: as a file, or to the program that served the page.
import { button, h } from "./dom.mjs";
import { instant, now } from "./moments.mjs";
import { following, recordOf, recordText } from "./record.mjs";
import { app, go, setFields } from "./state.mjs";
import { follow } from "./handed.mjs";
import { is, said } from "./said.mjs";

/** Offer the record as a file. */
export const downloadRecord = (doc) => {
  const name = `${doc.record.exam.id}.json`;
  const url = URL.createObjectURL(new Blob([recordText(recordOf(doc))], { type: "application/json" }));
  const link = h("a", { href: url, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(url), 60000);
  return name;
};

const fileOf = (doc) => new File([recordText(recordOf(doc))], `${doc.record.exam.id}.json`, { type: "application/json" });

/** A button that hands the record's file to another program of this device, where the browser can; else nothing. */
export const shareButton = (doc) => {
  const file = fileOf(doc);
  if (!navigator.canShare?.({ files: [file] })) return null;
  const status = h("p.problem", { role: "status" });
  const share = () =>
    navigator.share({ files: [file] }).catch((error) => {
      if (error.name !== "AbortError") status.textContent = said("saving.not_shared");
    });
  return [button(said("saving.share"), share), status];
};

const end = (doc) => {
  const { exam, findings } = doc.record;
  const first = exam.status === "final" ? now() : (doc.firstEnded ?? now());
  const last = [first, ...findings.flatMap((f) => [f.observed_at, f.tapped]).filter(Boolean)].reduce((a, b) => (instant(b) > instant(a) ? b : a));
  exam.ended = instant(last) < instant(exam.started) ? exam.started : last;
  // A version that was handed over once stays the version of that moment, so that handing it over again is safe.
  if (exam.status !== "final" && !(exam.recorded && instant(exam.recorded) > instant(exam.ended)))
    exam.recorded = instant(now()) > instant(exam.ended) ? now() : exam.ended;
};

/** Save as a file; the exam is then closed to changes. */
export const saveDoc = (doc) => {
  setFields(doc, () => end(doc));
  const file = downloadRecord(doc);
  setFields(doc, () => (doc.saved = { at: now(), how: "file", file }));
  go("summary", said("saving.saved", { file }));
};

const post = async (text) => {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), 30000);
  try {
    const answer = await fetch("records", { method: "POST", headers: { "Content-Type": "application/json" }, body: text, signal: stop.signal });
    return { status: answer.status, ...(await answer.json()) };
  } catch {
    return null;
  } finally {
    clearTimeout(timer);
  }
};

/** What was filed under this id stays; this record becomes its correction, under an id of its own. */
const asCorrection = (doc) => {
  setFields(doc, () => {
    const { exam } = doc.record;
    Object.assign(exam, { ...following(exam), reason: exam.reason ?? "" });
  });
  go("finish", said("saving.say_why"));
};

/** What the adapter found wrong, in the words of its command line, which are English. */
export const problemOfAdapter = (one) => {
  const words = h("span", { lang: "en" }, `${one.what} ${one.remedy}`);
  const item = app.catalogue.items.get(one.item);
  return item ? [is(item.label, ""), words] : words;
};

/** Hand the record to the program that served the page; on any answer but yes it stays open here. */
export const sendDoc = async (doc, place) => {
  place.replaceChildren(h("p", {}, said("saving.handing")));
  const ended = doc.record.exam.ended;
  setFields(doc, () => end(doc));
  const answer = await post(recordText(recordOf(doc)));
  if (answer?.accepted) {
    setFields(doc, () => (doc.saved = { at: now(), how: "handed", file: answer.file, answer }));
    if (app.key === doc.key) go("summary", said("saving.sent"));
    follow();
    return;
  }
  setFields(doc, () => {
    if (ended) doc.record.exam.ended = ended;
    else delete doc.record.exam.ended;
  });
  if (!answer) {
    place.replaceChildren(h("p.problem.error", {}, said("saving.no_answer")));
    return;
  }
  place.replaceChildren(
    h("p.problem.error", {}, said(answer.status === 409 ? "saving.other_content" : "saving.refused")),
    answer.status === 409 ? button(said("saving.correction"), () => asCorrection(doc)) : "",
    h("ul.problems", {}, (answer.problems ?? []).map((one) => h(`li.problem.${one.severity}`, {}, problemOfAdapter(one)))));
};
