// What is wrong or doubtful in a record, while it can still be mended at the cot side. The rules and their ids are
// those of adapter/read/check; what the page cannot produce (unknown ids, units, sides) is left to the adapter.
import { checkNumbers } from "./check_numbers.mjs";
import { checkScores } from "./check_scores.mjs";
import { checkTimes } from "./check_times.mjs";
import { checkAgainst } from "./check_against.mjs";
import { checkPeople } from "./check_people.mjs";

/** Every problem: severity, rule, words, remedy, and the finding's index or the field it is about. */
export const problemsOf = (record, catalogue) => [
  ...checkPeople(record, catalogue),
  ...checkNumbers(record, catalogue),
  ...checkScores(record, catalogue),
  ...checkTimes(record, catalogue),
  ...checkAgainst(record, catalogue),
];
