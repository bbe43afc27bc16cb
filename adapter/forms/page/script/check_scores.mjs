// Totals that their signs cannot give, and a screen's result that its readings cannot give.
import { kindOf } from "./catalogue.mjs";
import { slotsOf } from "./scores.mjs";
import { resultOf } from "./screening.mjs";
import { fault } from "./problems.mjs";
import { spanWords } from "./spans.mjs";

const span = (item, given) =>
  slotsOf(item).reduce(
    ([low, high], signs) => {
      const all = signs.flatMap((sign) => sign.answers.map(([id, , points]) => [sign.id, id, points]));
      const answered = all.filter(([sign, id]) => given[sign] === id);
      const points = (answered.length ? answered : all).map(([, , number]) => number);
      return [low + Math.min(...points), high + Math.max(...points)];
    },
    [0, 0],
  );

const totals = (record, catalogue) =>
  record.findings.flatMap((finding, index) => {
    const { total, signs = {} } = finding.value ?? {};
    if (kindOf(finding.value) !== "score" || total === undefined || total === null) return [];
    const item = catalogue.items.get(finding.item);
    const given = Object.keys(signs).length > 0;
    const [low, high] = item.signs.length ? span(item, signs) : (item.limits ?? [total, total]).map(Number);
    if (low <= total && total <= high) return [];
    const range = spanWords({ low: `>=${low}`, high: `<=${high}` }, catalogue);
    return [fault(catalogue, given ? "total-not-of-signs" : "impossible-total", index, { total, range })];
  });

const screen = (record, catalogue) => {
  const rule = catalogue.screening;
  const results = record.findings
    .map((finding, index) => ({ finding, index }))
    .filter(({ finding }) => finding.item === rule.item && kindOf(finding.value) === "answer");
  if (results.length !== 1) return [];
  const made = resultOf(record, catalogue);
  if (!made || made.outcome === results[0].finding.value) return [];
  return [fault(catalogue, "result-not-of-readings", results[0].index, { rule: rule.label })];
};

export const checkScores = (record, catalogue) => [...totals(record, catalogue), ...screen(record, catalogue)];
