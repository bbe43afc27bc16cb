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
    const remedy = "One finding each; what was looked at again has its own time.";
    return [fault("recorded-twice", "This was already recorded.", remedy, index)];
  });
};

const bothWays = (record, catalogue) =>
  record.findings.flatMap((finding, index) => {
    const other = record.findings.some(
      (o) => o.item === finding.item && !o.not_examined && overlap(finding, o, catalogue),
    );
    return finding.not_examined && other
      ? [fault("examined-and-not", "Answered, and not examined.", "Either the answer or the reason.", index)]
      : [];
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
      const what = `'${one.answer.label}' together with '${other.answer.label}'.`;
      if (one.answer.exclusive)
        return [fault("none-and-some", what, `Leave out: ${one.answer.label}.`, one.index)];
      if (other.answer.meaning === "abnormal")
        return [doubt("expected-and-abnormal", what, "Only what is true of this infant.", one.index)];
    }
    return [];
  });
};

const otherSex = (record, catalogue) => {
  const sex = typicalSex(record);
  return record.findings.flatMap((finding, index) => {
    const item = catalogue.items.get(finding.item);
    if (!sex || !item.sex || item.sex === sex || finding.not_examined === "not_applicable") return [];
    const what = `${item.label} belongs to a ${item.sex} infant.`;
    return [fault("other-sex", what, "Correct the sex or the genital type if that is wrong.", index)];
  });
};

const unlikely = (record, catalogue) =>
  catalogue.unlikely.flatMap(([item, answers, other, others]) => {
    const one = record.findings.findIndex(
      (f) => f.item === item && (answers.length ? answers.includes(f.value) : f.value !== undefined),
    );
    const two = record.findings.find((f) => f.item === other && others.includes(f.value));
    if (one < 0 || !two) return [];
    const what = `${catalogue.items.get(item).label} and ${catalogue.items.get(other).label} do not go together.`;
    return [doubt("do-not-go-together", what, "Look again at both; keep them if both are right.", one)];
  });

const places = (record, catalogue) =>
  record.findings.flatMap((finding, index) => {
    const item = catalogue.items.get(finding.item);
    if (item.site_required && !finding.site && !finding.not_examined)
      return [fault("site-missing", "The place is missing.", "Say where it was taken.", index)];
    return [];
  });

export const checkAgainst = (record, catalogue) => [
  ...places(record, catalogue),
  ...repeats(record, catalogue),
  ...bothWays(record, catalogue),
  ...noneAndSome(record, catalogue),
  ...otherSex(record, catalogue),
  ...unlikely(record, catalogue),
];
