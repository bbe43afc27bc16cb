// The one form of what is wrong: how bad, which rule, what, and what would be right.

/** A problem at a finding (its index) or at a field of the record. */
export const problem = (severity, rule, what, remedy, place) => ({
  severity, rule, what, remedy,
  index: typeof place === "number" ? place : null,
  field: typeof place === "string" ? place : null,
});

export const fault = (rule, what, remedy, place) => problem("error", rule, what, remedy, place);
export const doubt = (rule, what, remedy, place) => problem("warning", rule, what, remedy, place);
