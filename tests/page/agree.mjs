// What the page's own script makes of records: read on standard input, answered on standard output.
// node agree.mjs SCRIPT_FOLDER < {"data": .., "records": [..], "kept": [other records that the page has, of each]}
import { readFileSync } from "node:fs";

const folder = process.argv[2];
const { readCatalogue } = await import(`${folder}/catalogue.mjs`);
const { earlierRecords } = await import(`${folder}/earlier.mjs`);
const { evidence, tellList } = await import(`${folder}/tell.mjs`);
const { problemsOf } = await import(`${folder}/checks.mjs`);
const { whyNot } = await import(`${folder}/judgement.mjs`);
const { inWords } = await import(`${folder}/words.mjs`);
const { gapsOf } = await import(`${folder}/completeness.mjs`);

const { data, records, kept } = JSON.parse(readFileSync(0, "utf8"));
const catalogue = readCatalogue(data);

const judged = (one) => [one.item.id, one.judged?.meaning ?? null, one.judged?.urgency ?? null, one.judged?.flag ?? null];
const told = (line) => [line.urgency, line.rule, line.words, line.because, line.toDo, line.reason, line.source, line.id];

console.log(
  JSON.stringify(
    records.map((record, n) => {
      const pool = evidence(record, catalogue, earlierRecords(kept[n] ?? [], record));
      return {
        judged: pool.map(judged),
        told: tellList(record, catalogue, pool).map(told),
        words: Object.fromEntries(pool.map((one) => [one.item.id, inWords(one.finding, one.item, catalogue)])),
        notJudged: pool.map((one) => whyNot(one, record, catalogue)),
        gaps: gapsOf(record, catalogue).map((gap) => [gap.item, gap.side]),
        problems: problemsOf(record, catalogue).map((one) => [one.severity, one.rule, one.index]),
      };
    }),
  ),
);
