// What a tap does to an exam's findings. Everything here works on one exam's own lists and on no other's.
import { answerOf, expectedOf, kindOf } from "./catalogue.mjs";
import { isNumber } from "./exact.mjs";
import { instant } from "./moments.mjs";
import { applies, gapsOf } from "./completeness.mjs";

/** The findings of an item; with a side, those of that side (an item examined on each side). */
export const findingsOf = (doc, item, side = undefined) =>
  doc.record.findings.filter((f) => f.item === item.id && (side === undefined || (f.side ?? null) === side));

/** The sides an item is answered on, each by itself: left and right, or the item as a whole. */
export const sidesOf = (item) => (item.sides === "each" ? ["left", "right"] : [null]);

const sorted = (doc, catalogue) => {
  const position = (finding) => catalogue.items.get(finding.item).position;
  const side = (finding) => ["left", "right"].indexOf(finding.side) + 1;
  doc.record.findings.sort((a, b) => position(a) - position(b) || side(a) - side(b));
};

const remove = (doc, gone) => {
  doc.record.findings = doc.record.findings.filter((f) => !gone(f));
};

const made = (item, side, fields) => ({ item: item.id, ...(side ? { side } : {}), ...fields });

/** Give an answer on a side, or take it away again where it stands; one only where the item takes one. */
export const chooseAnswer = (doc, item, side, answerId, catalogue) => {
  const here = findingsOf(doc, item, item.sides === "each" ? side : undefined);
  const same = here.filter((f) => f.value === answerId);
  if (same.length) {
    remove(doc, (f) => same.includes(f));
    return false;
  }
  const answer = answerOf(item, answerId);
  const goes = (f) => {
    if (!here.includes(f)) return false;
    if (f.not_examined || item.type !== "choices" || kindOf(f.value) !== "answer") return true;
    return answer.exclusive || answerOf(item, f.value).exclusive;
  };
  if (item.type === "time") doc.drafts = doc.drafts.filter((f) => f.item !== item.id);
  const only = item.type === "choice" && here.length === 1 && kindOf(here[0].value) === "answer" ? here[0] : null;
  remove(doc, goes);
  const kept = only ? { site: only.site, side: only.side, method: only.method, state: only.state, note: only.note } : {};
  doc.record.findings.push({ ...made(item, side, { ...kept, value: answerId }), ...(kept.side ? { side: kept.side } : {}) });
  sorted(doc, catalogue);
  return true;
};

/** Not examined, and why: whatever else was said of the item on that side goes. */
export const setReason = (doc, item, side, reason, note, catalogue) => {
  clearItem(doc, item, side);
  doc.record.findings.push(made(item, side, { not_examined: reason, ...(note ? { note } : {}) }));
  sorted(doc, catalogue);
};

/** Take away all that was said of an item (on a side). */
export const clearItem = (doc, item, side = undefined) => {
  const gone = (f) => f.item === item.id && (side === undefined || side === null || (f.side ?? null) === side);
  remove(doc, gone);
  doc.drafts = doc.drafts.filter((f) => !gone(f));
};

/** Whether an entry is whole: its numbers are numbers, its time a time, its words there. */
export const isWholeEntry = (entry) => {
  const value = entry.value;
  if (entry.text !== undefined) return entry.text.trim() !== "";
  switch (kindOf(value)) {
    case "quantity":
      return isNumber(value.value) && (!value.plus || isNumber(value.plus.value));
    case "quantities": {
      const given = Object.values(value.components).filter((text) => text !== "");
      return given.length > 0 && given.every(isNumber) && given.length === Object.keys(value.components).length;
    }
    case "score":
      return (value.total ?? null) !== null || Object.keys(value.signs ?? {}).length > 0;
    case "time":
      return instant(value.time) !== null;
    default:
      return kindOf(value) === "answer" || Boolean(entry.not_examined);
  }
};

/** Whether nothing at all has been put into an entry yet. */
const isBlank = (entry) => {
  const value = entry.value;
  const numbers = kindOf(value) === "quantities" ? Object.values(value.components).join("") : "";
  const said = [entry.text, value?.value, value?.plus?.value, value?.time, numbers].join("");
  return said.trim() === "" && !entry.site && !entry.state && !entry.method && !entry.note && !entry.observed_at;
};

/** Put an entry where it belongs: among the findings when whole, else among what is half typed. */
export const placeEntry = (doc, entry, catalogue) => {
  remove(doc, (f) => f === entry);
  doc.drafts = doc.drafts.filter((f) => f !== entry);
  if (isWholeEntry(entry)) {
    const side = entry.side ?? null;
    remove(doc, (f) => f.item === entry.item && (f.side ?? null) === side && f.not_examined);
    if (kindOf(entry.value) === "time")
      remove(doc, (f) => f.item === entry.item && kindOf(f.value) === "answer");
    doc.record.findings.push(entry);
    sorted(doc, catalogue);
  } else if (!isBlank(entry)) doc.drafts.push(entry);
};

/** The entries of an item that is typed in: whole ones, then half-typed ones. */
export const entriesOf = (doc, item, side) => {
  const of = (list) => list.filter((f) => f.item === item.id && (f.side ?? null) === side && !f.not_examined);
  return [...of(doc.record.findings), ...of(doc.drafts)].filter((f) => kindOf(f.value) !== "answer");
};

/** What confirming the rest of a page as expected would record: item, side, answer; nothing that needs more. */
export const expectedOn = (doc, items, catalogue) => {
  const shown = new Set(items);
  return gapsOf(doc.record, catalogue).flatMap((gap) => {
    const item = catalogue.items.get(gap.item);
    const answer = expectedOf(item);
    if (!shown.has(gap.item) || !answer || item.site_required || !applies(item, doc.record)) return [];
    if (doc.drafts.some((f) => f.item === item.id)) return [];
    return (gap.side ? [gap.side] : sidesOf(item)).map((side) => ({ item, side, answer }));
  });
};

/** Record answers as ordinary findings. */
export const recordAnswers = (doc, lines, catalogue) => {
  for (const { item, side, answer } of lines) doc.record.findings.push(made(item, side, { value: answer.id }));
  sorted(doc, catalogue);
};

/** The gaps on a page, each with the side that is missing (null: the whole item). */
export const gapsOn = (doc, items, catalogue) => {
  const shown = new Set(items);
  return gapsOf(doc.record, catalogue).filter((gap) => shown.has(gap.item));
};

