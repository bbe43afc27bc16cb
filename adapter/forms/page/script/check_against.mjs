// Findings against each other: recorded twice, examined and not, none and some, of the other sex; places missing.
import { answerOf, kindOf, sideOf } from "./catalogue.mjs";
import { typicalSex } from "./completeness.mjs";
import { instant } from "./moments.mjs";
import { doubt, fault } from "./problems.mjs";

const overlap = (one, other, catalogue) => {
  const sides = [sideOf(one, catalogue), sideOf(other, catalogue)];
  const sites = [one.site ?? null, other.site ?? null];
  const side = sides[0] === sides[1] || sides.some((s) => s === null || s === "both");
  return side && (sites[0] === sites[1] || sites.includes(null));
};

const keyOf = (finding, item, catalogue) =>
  JSON.stringify([
    finding.item,
    sideOf(finding, catalogue),
    finding.site ?? null,
    ["choices", "text"].includes(item.type)
      ? (kindOf(finding.value) === "answer" && finding.value) || finding.text || null
      : null,
    finding.observed_at ? String(instant(finding.observed_at)) : null,
  ]);

const repeats = (record, catalogue) => {
  const seen = new Map();
  return record.findings.flatMap((finding, index) => {
    const key = keyOf(finding, catalogue.items.get(finding.item), catalogue);
    const first = seen.get(key);
    if (first === undefined) seen.set(key, finding);
    if (first === undefined || Boolean(first.not_examined) !== Boolean(finding.not_examined)) return [];
    return [fault(catalogue, "recorded-twice", index)];
  });
};

const bothWays = (record, catalogue) =>
  record.findings.flatMap((finding, index) => {
    const other = record.findings.some(
      (o) => o.item === finding.item && !o.not_examined && overlap(finding, o, catalogue),
    );
    return finding.not_examined && other ? [fault(catalogue, "examined-and-not", index)] : [];
  });

const noneAndSome = (record, catalogue) => {
  const answered = record.findings
    .map((finding, index) => ({ finding, index, item: catalogue.items.get(finding.item) }))
    .filter(({ finding, item }) => item.type === "choices" && kindOf(finding.value) === "answer")
    .map((one) => ({ ...one, answer: answerOf(one.item, one.finding.value) }));
  return answered.flatMap((one) => {
    if (one.answer.meaning !== "expected") return [];
    for (const other of answered) {
      if (other.item !== one.item || other.answer === one.answer || !overlap(one.finding, other.finding, catalogue))
        continue;
      const labels = { one: one.answer.label, other: other.answer.label };
      if (one.answer.exclusive) return [fault(catalogue, "none-and-some", one.index, labels)];
      if (other.answer.meaning === "abnormal") return [doubt(catalogue, "expected-and-abnormal", one.index, labels)];
    }
    return [];
  });
};

const otherSex = (record, catalogue) => {
  const sex = typicalSex(record);
  return record.findings.flatMap((finding, index) => {
    const item = catalogue.items.get(finding.item);
    if (!sex || !item.sex || item.sex === sex || finding.not_examined === "not_applicable") return [];
    return [fault(catalogue, "other-sex", index, { item: item.label })];
  });
};

const unlikely = (record, catalogue) =>
  catalogue.unlikely.flatMap(([item, answers, other, others]) => {
    const one = record.findings.findIndex(
      (f) => f.item === item && (answers.length ? answers.includes(f.value) : f.value !== undefined),
    );
    const two = record.findings.find((f) => f.item === other && others.includes(f.value));
    if (one < 0 || !two) return [];
    const labels = { one: catalogue.items.get(item).label, other: catalogue.items.get(other).label };
    return [doubt(catalogue, "do-not-go-together", one, labels)];
  });

const places = (record, catalogue) =>
  record.findings.flatMap((finding, index) => {
    const item = catalogue.items.get(finding.item);
    return item.site_required && !finding.site && !finding.not_examined ? [fault(catalogue, "site-missing", index)] : [];
  });

export const checkAgainst = (record, catalogue) => [
  ...places(record, catalogue),
  ...repeats(record, catalogue),
  ...bothWays(record, catalogue),
  ...noneAndSome(record, catalogue),
  ...otherSex(record, catalogue),
  ...unlikely(record, catalogue),
];
