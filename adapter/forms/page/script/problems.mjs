// The one form of what is wrong: how bad, which rule, what, and what would be right.

import { say } from "./say.mjs";

/** A problem at a finding (its index) or at a field of the record. */
export const problem = (severity, rule, what, remedy, place) => ({
  severity, rule, what, remedy,
  index: typeof place === "number" ? place : null,
  field: typeof place === "string" ? place : null,
});

const worded = (severity) => (catalogue, rule, place, parts = {}, key = rule.replaceAll("-", "_")) => {
  const [what, remedy] = ["what", "remedy"].map((name) => say(catalogue, `page.problem.${key}.${name}`, parts));
  return problem(severity, rule, what, remedy, place);
};

/** An error and a warning; their words are those of the rule, or of another key. */
export const fault = worded("error");
export const doubt = worded("warning");
