// The exam as it is held, and as the capture record (version 1) that is saved: every digit as it was typed.
import { isNumber } from "./exact.mjs";
import { instant, now } from "./moments.mjs";

const ALPHABET = "23456789abcdefghjkmnpqrstuvwxyz";

const letters = (count) =>
  [...crypto.getRandomValues(new Uint8Array(count))].map((n) => ALPHABET[n % ALPHABET.length]).join("");

/** An exam's id, never used before: the day and minute on this device, and eight letters by chance. */
export const freshExamId = () => `${now().slice(0, 16).replace(/[-:]/g, "").replace("T", "-")}-${letters(8)}`;

/** A new, empty exam as this page holds it. */
export const freshDoc = (exam = {}, newborn = {}) => ({
  key: `k${Date.now().toString(36)}${letters(8)}`,
  rev: 0,
  begun: false,
  record: {
    version: 1,
    exam: { id: freshExamId(), kind: "", started: "", status: "final", examiners: [{ name: "", role: "" }], ...exam },
    newborn: { identifiers: [{ system: "", value: "" }], name: "", sex: "", birth_time: "", ...newborn },
    findings: [],
  },
  drafts: [],
  page: 0,
  at: null,
  twin: null,
  saved: null,
});

/** What a correction says of its place among the versions: the one that it corrects, and the first of all. */
export const following = (exam) => ({
  id: freshExamId(), status: "amended", amends: exam.id, first: exam.first ?? exam.amends ?? "", recorded: "",
});

/** A correction of a saved exam: the same findings under a new id. */
export const amendmentOf = (doc) => {
  const copy = structuredClone(doc);
  const { exam } = copy.record;
  const fresh = freshDoc();
  const firstEnded = copy.firstEnded ?? exam.ended;
  delete exam.ended;
  Object.assign(exam, { ...following(exam), reason: "" });
  return { ...copy, key: fresh.key, rev: 0, begun: true, saved: null, drafts: [], firstEnded };
};

// What neither FHIR nor XML can carry (XML 1.0, 2.2) goes; so does half of a character.
const clean = (text) =>
  (text.toWellFormed?.() ?? text).replace(/[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\u{10000}-\u{10ffff}]/gu, "").trim();

const filled = (value) => {
  if (Array.isArray(value)) return value.map(filled);
  if (value === null || typeof value !== "object") return value;
  const entries = Object.entries(value)
    .map(([key, one]) => [key, typeof one === "string" ? clean(one) : filled(one)])
    .filter(([, one]) => one !== "" && one !== null && one !== undefined)
    .filter(([, one]) => !(typeof one === "object" && !Array.isArray(one) && Object.keys(one).length === 0));
  return Object.fromEntries(entries);
};

const ORDER = ["item", "value", "not_examined", "text", "side", "method", "site", "state", "counted_seconds"];
const ordered = (finding) =>
  Object.fromEntries([...ORDER, "observed_at", "urgency", "note"].map((key) => [key, finding[key]]));

const minuteOf = (text) => instant(text) / 60000000n;

/** A finding's own time: as it was given, else when it was tapped where that is another minute than the exam's start. */
const timeOf = ({ observed_at, tapped }, { started }) => {
  if (observed_at) return instant(observed_at) === instant(started) ? null : observed_at;
  return tapped && instant(started) !== null && minuteOf(tapped) > minuteOf(started) ? tapped : null;
};

/** The record without empty fields; a finding made at the exam's very start has no time of its own. */
export const recordOf = (doc) => {
  const { exam, newborn, findings, told } = doc.record;
  const known = filled({ exam, newborn });
  const ids = (list) => (list ?? []).filter((one) => one.value);
  known.newborn.identifiers = ids(known.newborn.identifiers);
  if (known.newborn.mother && !ids(known.newborn.mother.identifiers).length && !known.newborn.mother.name)
    delete known.newborn.mother;
  return {
    version: 1,
    exam: { ...known.exam, examiners: known.exam.examiners ?? [] },
    newborn: known.newborn,
    findings: findings.map((finding) => filled(ordered({ ...finding, observed_at: timeOf(finding, exam) }))),
    ...(told?.length ? { told: told.map(filled) } : {}),
  };
};

const digits = (key, value, parent) =>
  typeof value === "string" &&
  isNumber(value) &&
  ((key === "value" && "unit" in parent) || key === "counted_seconds");

const write = (value, depth) => {
  const [inner, outer] = ["  ".repeat(depth + 1), "  ".repeat(depth)];
  if (Array.isArray(value)) {
    if (!value.length) return "[]";
    return `[\n${value.map((one) => inner + write(one, depth + 1)).join(",\n")}\n${outer}]`;
  }
  if (value === null || typeof value !== "object") return JSON.stringify(value);
  const lines = Object.entries(value).map(([key, one]) => {
    const text = digits(key, one, value)
      ? one
      : key === "components"
        ? `{${Object.entries(one).map(([id, number]) => `${JSON.stringify(id)}: ${number}`).join(", ")}}`
        : write(one, depth + 1);
    return `${inner}${JSON.stringify(key)}: ${text}`;
  });
  return lines.length ? `{\n${lines.join(",\n")}\n${outer}}` : "{}";
};

/** The capture record as the text of a file. */
export const recordText = (record) => `${write(record, 0)}\n`;
