// Totals that their signs cannot give, and a screen's result that its readings cannot give.
import { kindOf } from "./catalogue.mjs";
import { slotsOf } from "./scores.mjs";
import { resultOf } from "./screening.mjs";
import { fault } from "./problems.mjs";

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
    const can = low === high ? `${low}` : `${low} to ${high}`;
    return given
      ? [fault("total-not-of-signs", `The total ${total} is not what the signs give: ${can}.`, "Check both.", index)]
      : [fault("impossible-total", `A total of ${total} cannot be.`, `A whole number from ${can}.`, index)];
  });

const screen = (record, catalogue) => {
  const rule = catalogue.screening;
  const results = record.findings
    .map((finding, index) => ({ finding, index }))
    .filter(({ finding }) => finding.item === rule.item && kindOf(finding.value) === "answer");
  if (results.length !== 1) return [];
  const made = resultOf(record, catalogue);
  if (!made || made.outcome === results[0].finding.value) return [];
  const what = `The result is not what the readings give by ${rule.label}.`;
  return [fault("result-not-of-readings", what, "Check the readings and their order in time.", results[0].index)];
};

export const checkScores = (record, catalogue) => [...totals(record, catalogue), ...screen(record, catalogue)];
