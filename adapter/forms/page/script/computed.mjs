// Findings made from what was captured, as adapter/derive makes them: gestation, weight change, estimates, the rise
// of bilirubin. Size for gestation needs the site's growth reference and is made by the adapter alone.
import { exact, fixed, less, over, ratio, times } from "./exact.mjs";
import { amount, convert } from "./units.mjs";
import { kindOf } from "./catalogue.mjs";
import { madeAt } from "./age.mjs";
import { estimate, scoreTotal } from "./scores.mjs";
import { screened } from "./screening.mjs";

const sure = (finding) => kindOf(finding.value) === "quantity" && !finding.value.comparator;

const gestation = (record) => {
  const known = record.newborn.gestation;
  if (!known) return [];
  const days = known.days ?? null;
  const value =
    days === null ? { value: String(known.weeks), unit: "wk" } : { value: String(known.weeks * 7 + days), unit: "d" };
  const finding = { item: "gestational_age_at_birth", value };
  if (known.method) finding.method = known.method;
  return [{ finding, from: [] }];
};

const measured = (record, id, unit, catalogue) => {
  const found = record.findings
    .map((finding, index) => ({ finding, index }))
    .filter(({ finding }) => finding.item === id && sure(finding))
    .map(({ finding, index }) => ({ index, value: exact(convert(finding.value, unit, catalogue)) }));
  return found.length === 1 && found[0].value.n > 0n ? found[0] : null;
};

const latest = (record, id, unit, catalogue) => {
  const item = catalogue.items.get(id);
  const found = record.findings
    .map((finding, index) => ({ finding, index }))
    .filter(({ finding }) => finding.item === id && sure(finding))
    .map(({ finding, index }) => ({
      at: madeAt(finding, item, record), index, value: exact(convert(finding.value, unit, catalogue)),
    }));
  const last = found.filter((one) => found.every((other) => other.at <= one.at));
  return last.length === 1 && last[0].value.n > 0n ? last[0] : null;
};

const weightChange = (record, catalogue) => {
  const birth = measured(record, "birth_weight", "g", catalogue);
  const now = latest(record, "weight", "g", catalogue);
  if (!birth || !now) return [];
  const change = over(times(ratio(100n), less(now.value, birth.value)), birth.value);
  const finding = { item: "weight_change_percent", value: { value: fixed(change, 1), unit: "%" } };
  return [{ finding, from: [now.index, birth.index], exact: change }];
};

const estimates = (record, captured, catalogue) =>
  catalogue.estimates
    .filter((table) => !captured.has(table.item))
    .flatMap((table) =>
      record.findings.flatMap((finding, index) => {
        if (finding.item !== table.score || kindOf(finding.value) !== "score") return [];
        const total = scoreTotal(finding.value, catalogue.items.get(table.score));
        const weeks = total === null ? null : estimate(table, total);
        if (weeks === null) return [];
        const made = { item: table.item, value: { value: String(weeks), unit: table.unit } };
        if (finding.observed_at) made.observed_at = finding.observed_at;
        return [{ finding: made, from: [index], exact: ratio(BigInt(weeks)), maker: table.id }];
      }),
    );

const MEASURED = ["transcutaneous_bilirubin", "serum_bilirubin"];

const rises = (record, catalogue) =>
  MEASURED.filter((kind) => catalogue.items.has(kind)).flatMap((kind) => {
    const item = catalogue.items.get(kind);
    const taken = record.findings
      .map((finding, index) => ({ finding, index }))
      .filter(({ finding }) => finding.item === kind && sure(finding))
      .map(({ finding, index }) => ({
        index, at: madeAt(finding, item, record), value: exact(amount(finding.value, item, catalogue)),
        iso: finding.observed_at ?? record.exam.started,
      }))
      .sort((a, b) => (a.at === b.at ? a.index - b.index : a.at < b.at ? -1 : 1));
    if (taken.length < 2 || taken.at(-1).at === taken.at(-2).at) return [];
    const [first, second] = taken.slice(-2);
    const hourly = over(times(less(second.value, first.value), ratio(3600000000n)), ratio(second.at - first.at));
    const value = { value: fixed(hourly, 2), unit: "mg/dL/h" };
    const finding = { item: "bilirubin_rise", value, observed_at: second.iso };
    return [{ finding, from: [second.index, first.index], exact: hourly, maker: "bilirubin_rise" }];
  });

/** Every finding that can be computed here and that nobody captured, in the order of the adapter. */
export const computedFindings = (record, catalogue) => {
  const captured = new Set(record.findings.map((finding) => finding.item));
  const open = (id) => catalogue.items.has(id) && !captured.has(id);
  return [
    ...(open("gestational_age_at_birth") ? gestation(record) : []),
    ...(open("weight_change_percent") ? weightChange(record, catalogue) : []),
    ...estimates(record, captured, catalogue),
    ...screened(record, catalogue),
    ...(open("bilirubin_rise") ? rises(record, catalogue) : []),
  ];
};

