// What must be told, and what is still to be done; the same lines as adapter/derive/tell.py.
import { ageHours, madeAt } from "./age.mjs";
import { fixed } from "./exact.mjs";
import { answerOf, kindOf, sideOf } from "./catalogue.mjs";
import { computedFindings } from "./computed.mjs";
import { foundBefore, sourcesOf } from "./earlier.mjs";
import { gapsOf } from "./completeness.mjs";
import { linesByHour } from "./hours.mjs";
import { judge, judgedAs, rank, whyNot, worst } from "./judgement.mjs";
import { heldRules } from "./machine.mjs";
import { spanText } from "./spans.mjs";
import { unitShown } from "./units.mjs";
import { clauses, digitsSaid, inline, listed, say } from "./say.mjs";
import { boundsInWords, inWords, valueInWords, whereInWords } from "./words.mjs";

const judgedBy = (one, record, catalogue) => {
  const item = catalogue.items.get(one.finding.item);
  const judged =
    one.urgency === undefined
      ? judge(one.finding, item, record, catalogue, one.exact ?? null)
      : {
          meaning: one.meaning ?? (one.abnormal ? "abnormal" : "variant"),
          urgency: one.replaced ? "none" : one.urgency,
          flag: one.flag ?? (one.abnormal ? "A" : "N"),
          band: null,
        };
  return { ...one, item, judged };
};

const differences = (pool, catalogue) => {
  const compared = pool.filter((one) => one.item.compare_sides && kindOf(one.finding.value));
  return [...new Set(compared.map((one) => one.item))].flatMap((item) => {
    const of = (side) => compared.filter((one) => one.item === item && sideOf(one.finding, catalogue) === side);
    const named = ({ value }, words) => (kindOf(value) === "answer" ? inline(catalogue, "answers", `${item.id}.${value}`, words) : words);
    const words = (one) => valueInWords(one.finding, item, catalogue);
    const said = (ones) => listed(catalogue, [...new Set(ones.map((one) => named(one.finding, words(one))))].sort());
    const [left, right] = [of("left"), of("right")];
    if (!left.length || !right.length || said(left) === said(right)) return [];
    const known = [...left, ...right].map((one) => one.judged).filter(Boolean);
    const text = say(catalogue, "judged.sides", { item: item.label, left: said(left), right: said(right) });
    return [
      {
        finding: { item: "side_difference", text },
        from: [...left, ...right].map((one) => one.index),
        maker: `sides_${item.id}`,
        source: item.source,
        urgency: worst(...known.map((judged) => judged.urgency)),
        abnormal: known.some((judged) => judged.meaning === "abnormal"),
        reason: say(catalogue, "judged.sides_differ"),
      },
    ];
  });
};

/** What a site's tables say of captured findings: what no range judged is judged by them. */
const judgedByTables = (pool, byLines) => {
  for (const { from: [index], withheld, meaning, flag } of byLines) {
    if (withheld) pool[index].withheld = withheld;
    else pool[index].judged ??= { meaning, urgency: "none", flag, band: null };
  }
};

/** All findings of a record with their judgements: captured ones in their order, then the computed ones. */
export const evidence = (record, catalogue, earlier = []) => {
  const pool = [];
  const add = (ones) =>
    ones.forEach((one) => pool.push({ ...judgedBy(one, record, catalogue), index: pool.length }));
  for (const finding of record.findings) {
    const item = catalogue.items.get(finding.item);
    const judged = finding.not_examined ? null : judge(finding, item, record, catalogue);
    pool.push({ finding, item, judged, index: pool.length, from: null });
  }
  const byLines = linesByHour(record, catalogue, earlier);
  judgedByTables(pool, byLines);
  const captured = [...pool];
  const made = [...computedFindings(record, catalogue, earlier), ...byLines.filter((one) => !one.withheld)];
  const sides = differences(captured, catalogue);
  add([...made, ...sides]);
  const [own, before] = [pool.length, foundBefore(earlier, record, catalogue, pool.length)];
  add(
    heldRules(record, pool, catalogue, before).map(({ rule, from, replaced }) => ({
      finding: { item: "cross_finding", text: rule.label },
      from: from.filter((index) => index < own),
      before: sourcesOf(from.filter((index) => index >= own).map((index) => before[index - own])),
      replaced,
      maker: rule.id,
      source: rule.source,
      urgency: rule.urgency,
      abnormal: true,
      reason: rule.reason,
    })),
  );
  return pool;
};

const FLAGS = { L: "range.low", LL: "range.very_low", H: "range.high", HH: "range.very_high" };

const why = (one, catalogue) => {
  const { finding, item, judged } = one;
  if (one.urgency !== undefined) return [one.reason, one.maker, catalogue.sources[one.source] ?? one.source];
  const counted = kindOf(finding.value) === "answer" ? (judged.counted ?? finding.value) : null;
  const own = counted ? answerOf(item, counted) : null;
  const usual = counted === "" ? "tell" : own ? own.urgency : (judged.band?.urgency ?? "none");
  if (usual !== judged.urgency) return [say(catalogue, "tell.by_examiner"), "examiner", say(catalogue, "tell.examiner")];
  if (judged.band) {
    const unit = item.unit ? unitShown(item.unit, catalogue) : item.type === "time" ? say(catalogue, "tell.hours_of_life") : "";
    const span = spanText(judged.band);
    const id = judged.band.component ? `${judged.band.component} ${span}` : span;
    const how = say(catalogue, FLAGS[judged.band.flag] ?? "tell.abnormal");
    const beyond = say(catalogue, "is", { what: how, value: `${boundsInWords(judged.band, catalogue)}${unit}` });
    return [clauses(catalogue, [beyond, item.caution]), `${item.id}[${id}]`, catalogue.sources[judged.band.source]];
  }
  const meaning = say(catalogue, judged.meaning === "abnormal" ? "tell.abnormal" : "tell.variant");
  const remark = judgedAs(finding, item, judged, catalogue, "_within");
  return [clauses(catalogue, [meaning, remark, item.caution]), `${item.id}.${counted || finding.value}`, catalogue.sources[item.source]];
};

const covered = (urgent) => {
  const told = new Map(urgent.map((one) => [one.index, one]));
  const [byRules, bySides, sides] = [new Set(), new Set(), []];
  for (const one of urgent) {
    if (one.urgency === undefined) continue;
    const parts = one.from.filter(
      (index) => told.has(index) && rank(one.judged.urgency) >= rank(told.get(index).judged.urgency),
    );
    if (one.item.id !== "side_difference") parts.forEach((index) => byRules.add(index));
    else {
      sides.push([one.index, parts]);
      parts.forEach((index) => bySides.add(index));
    }
  }
  const done = sides.filter(([, parts]) => parts.length && parts.every((index) => byRules.has(index)));
  return new Set([...byRules, ...bySides, ...done.map(([index]) => index)]);
};

const ofEarlier = ({ finding, item, exam }, catalogue) => {
  const words = inWords(finding, item, catalogue);
  return exam ? say(catalogue, "of_exam", { words, exam }) : words;
};

const line = (one, pool, catalogue) => {
  const [reason, rule, source] = why(one, catalogue);
  const joint = one.urgency !== undefined && one.item.id === "cross_finding";
  return {
    urgency: one.judged.urgency, item: one.item, side: one.finding.side ?? null, site: one.finding.site, reason, rule, source, toDo: false,
    words: (one.urgency !== undefined && one.finding.text) || inWords(one.finding, one.item, catalogue),
    because: joint ? [...one.from.map((n) => ofEarlier(pool[n], catalogue)), ...one.before.map((was) => ofEarlier(was, catalogue))] : [],
    places: (one.from ?? [one.index]).map((n) => pool[n].item.id),
  };
};

const gapLine = (one, record, catalogue) => {
  const { finding, item } = one;
  const due = item.still_to_do && finding.not_examined !== "not_applicable";
  const told = (due && catalogue.kinds[record.exam.kind]?.last) || item.tell_when_not_examined.some((reason) => reason === "any" || reason === finding.not_examined);
  const urgency = worst(finding.urgency, told ? "tell" : "none", catalogue.reasons[finding.not_examined].urgency);
  if (urgency === "none" && !due) return [];
  const reason = clauses(catalogue, [say(catalogue, "tell.to_do"), item.caution]);
  return [
    {
      urgency, item, side: finding.side ?? null, site: finding.site, reason, toDo: true, because: [], places: [item.id],
      words: inWords(finding, item, catalogue),
      rule: `${item.id}.not_examined`, source: catalogue.sources[item.source],
    },
  ];
};

const toCompare = (one, record, catalogue) => {
  const { finding, item } = one;
  const why = item.chart ? whyNot(one, record, catalogue) : null;
  const hours = fixed(ageHours(record, madeAt(finding, item, record)), 1);
  if (!why) return [];
  return [
    {
      urgency: catalogue.kinds[record.exam.kind]?.last ? "tell" : "none", item, side: finding.side ?? null, site: finding.site, toDo: true,
      reason: say(catalogue, "tell.sample", { reason: why, hours: digitsSaid(catalogue, hours) }), because: [], places: [item.id],
      words: say(catalogue, "tell.measured", { finding: inWords(finding, item, catalogue) }),
      rule: `${item.id}.not_judged`, source: catalogue.sources[item.source],
    },
  ];
};

const unrecorded = (gap, record, catalogue) => {
  const item = catalogue.items.get(gap.item);
  return {
    urgency: catalogue.kinds[record.exam.kind].last ? "tell" : "none",
    item, side: gap.side, reason: say(catalogue, "tell.to_do"), toDo: true, because: [], places: [item.id],
    words: say(catalogue, "finding.not_recorded", { what: whereInWords(item, { side: gap.side }, catalogue) }),
    rule: `${item.id}.not_recorded`, source: catalogue.sources[item.source],
  };
};

const byOrder = (a, b) =>
  rank(b.urgency) - rank(a.urgency) ||
  a.toDo - b.toDo ||
  (a.because.length === 0) - (b.because.length === 0) ||
  a.item.position - b.item.position ||
  (a.words < b.words ? -1 : a.words > b.words ? 1 : 0);

/** Each line with its id: what put it on the list, side and place, and a number where that is not one line's alone. */
const withIds = (lines) => {
  const count = new Map();
  return lines.map((line) => {
    const rule = line.rule === "examiner" ? `${line.item.id}.examiner` : line.rule;
    const name = [rule, line.side, line.site].filter(Boolean).join("/");
    const n = (count.get(name) ?? 0) + 1;
    count.set(name, n);
    return { ...line, id: n === 1 ? name : `${name}/${n}` };
  });
};

/** The lines of the tell list, most urgent first; urgency none is what is still to be done. */
export const tellList = (record, catalogue, pool = evidence(record, catalogue)) => {
  if (record.exam.status === "entered-in-error") return [];
  const urgent = pool.filter((one) => one.judged && one.judged.urgency !== "none");
  const stood = covered(urgent);
  const computed = new Set(pool.filter((one) => one.from !== null).map((one) => one.item.id));
  return withIds([
    ...urgent.filter((one) => !stood.has(one.index)).map((one) => line(one, pool, catalogue)),
    ...pool.filter((one) => one.finding.not_examined).flatMap((one) => gapLine(one, record, catalogue)),
    ...pool.filter((one) => one.item.chart).flatMap((one) => toCompare(one, record, catalogue)),
    ...gapsOf(record, catalogue)
      .filter((gap) => catalogue.items.get(gap.item).still_to_do && !computed.has(gap.item))
      .map((gap) => unrecorded(gap, record, catalogue)),
  ].sort(byOrder));
};
