// Findings made from what was captured, as adapter/derive makes them: gestation, weight change, estimates, the rise
// of bilirubin. Size for gestation needs the site's growth reference and is made by the adapter alone.
import { compare, exact, fixed, less, over, ratio, times } from "./exact.mjs";
import { amount, convert } from "./units.mjs";
import { kindOf } from "./catalogue.mjs";
import { ageHours } from "./age.mjs";
import { byTime, earlierOf, takenOf } from "./taken.mjs";
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

const grams = (ones, catalogue) =>
  ones.filter(({ finding }) => sure(finding))
    .map((one) => ({ ...one, value: exact(convert(one.finding.value, "g", catalogue)) }));

const only = (found) => (found.length === 1 && found[0].value.n > 0n ? found[0] : null);

/** The birth weight of this exam, else of the last earlier one that has one, else the first weight of the first day. */
const birthWeight = (record, catalogue, earlier) => {
  const own = takenOf(record, "birth_weight", catalogue);
  if (own.length) return only(grams(own, catalogue));
  for (const other of [...earlier].reverse()) {
    const birth = only(grams(earlierOf([other], "birth_weight", catalogue), catalogue));
    if (birth) return birth;
  }
  const [first] = grams(earlierOf(earlier, "weight", catalogue), catalogue).sort((a, b) => (a.at === b.at ? 0 : byTime(a, b)));
  return first && first.value.n > 0n && compare(ageHours(record, first.at), ratio(24n)) <= 0 ? first : null;
};

const weightChange = (record, catalogue, earlier) => {
  const birth = birthWeight(record, catalogue, earlier);
  const found = grams(takenOf(record, "weight", catalogue), catalogue);
  const now = only(found.filter((one) => found.every((other) => other.at <= one.at)));
  if (!birth || !now) return [];
  const change = over(times(ratio(100n), less(now.value, birth.value)), birth.value);
  const finding = { item: "weight_change_percent", value: { value: fixed(change, 1), unit: "%" } };
  const [from, before] = birth.exam ? [[now.index], [birth]] : [[now.index, birth.index], []];
  return [{ finding, from, before, exact: change }];
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

const rises = (record, catalogue, earlier) =>
  MEASURED.filter((kind) => catalogue.items.has(kind)).flatMap((kind) => {
    const item = catalogue.items.get(kind);
    const taken = [...earlierOf(earlier, kind, catalogue), ...takenOf(record, kind, catalogue)]
      .filter(({ finding }) => sure(finding))
      .map((one) => ({ ...one, value: exact(amount(one.finding.value, item, catalogue)) }))
      .sort(byTime);
    if (taken.length < 2 || taken.at(-1).at === taken.at(-2).at || taken.at(-1).exam) return [];
    const [first, second] = taken.slice(-2);
    const hourly = over(times(less(second.value, first.value), ratio(3600000000n)), ratio(second.at - first.at));
    const value = { value: fixed(hourly, 2), unit: "mg/dL/h" };
    const finding = { item: "bilirubin_rise", value, observed_at: second.finding.observed_at ?? record.exam.started };
    const [from, before] = first.exam ? [[second.index], [first]] : [[second.index, first.index], []];
    return [{ finding, from, before, exact: hourly, maker: "bilirubin_rise" }];
  });

/**
 * Every finding that can be computed here and that nobody captured, in the order of the adapter. `before`: findings of
 * earlier exams (oldest first) that one rests on besides.
 */
export const computedFindings = (record, catalogue, earlier = []) => {
  const captured = new Set(record.findings.map((finding) => finding.item));
  const open = (id) => catalogue.items.has(id) && !captured.has(id);
  return [
    ...(open("gestational_age_at_birth") ? gestation(record) : []),
    ...(open("weight_change_percent") ? weightChange(record, catalogue, earlier) : []),
    ...estimates(record, captured, catalogue),
    ...screened(record, catalogue, earlier),
    ...(open("bilirubin_rise") ? rises(record, catalogue, earlier) : []),
  ];
};

