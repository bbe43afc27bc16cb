// Who examined and who was examined; that mother and newborn share no identifier.
import { doubt, fault, problem } from "./problems.mjs";
import { instant } from "./moments.mjs";
import { typicalSex } from "./completeness.mjs";
import { say } from "./say.mjs";

const keyOf = (identifier, catalogue) =>
  `${catalogue.identifier_systems[identifier.system] ?? identifier.system}|${identifier.value}`;

const repeated = (identifiers, field, catalogue) => {
  const keys = (identifiers ?? []).map((one) => keyOf(one, catalogue));
  return keys.some((key, n) => keys.indexOf(key) !== n)
    ? [fault(catalogue, "identifier-twice", field)]
    : [];
};

const EXAM_ID = /^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$/;

const missing = ({ exam, newborn }, catalogue) => {
  const given = (list) => (list ?? []).length && list.every((one) => one.system && !/\s/.test(one.system) && one.value);
  const well = {
    kind: exam.kind,
    id: EXAM_ID.test(exam.id ?? ""),
    identifiers: given(newborn.identifiers),
    sex: newborn.sex,
    birth_time: instant(newborn.birth_time) !== null,
    started: instant(exam.started) !== null,
    examiner: (exam.examiners ?? []).some((one) => (one.name || one.identifier) && one.role),
    mother: !newborn.mother || given(newborn.mother.identifiers),
    reason: exam.status === "final" || exam.reason,
  };
  return Object.keys(well).filter((field) => !well[field])
    .map((field) => problem("error", "missing-field", say(catalogue, `page.problem.missing.${field}`), say(catalogue, "page.problem.fill_in"), field));
};

const orders = ({ newborn }, catalogue) => {
  const { order, of } = newborn.birth_order ?? {};
  return order && of && order > of ? [fault(catalogue, "wrong-field", "birth_order", { order, of }, "birth_order")] : [];
};

const sexes = (record, catalogue) => {
  const seen = record.findings.findIndex((f) => f.item === "genital_type" && !f.not_examined);
  const typical = typicalSex(record);
  const known = ["female", "male"].includes(record.newborn.sex);
  if (seen < 0 || !known || !typical || typical === record.newborn.sex) return [];
  return [doubt(catalogue, "sex-and-genital-type", seen)];
};

export const checkPeople = (record, catalogue) => {
  const { newborn } = record;
  const own = (newborn.identifiers ?? []).map((one) => keyOf(one, catalogue));
  const shared = (newborn.mother?.identifiers ?? []).some((one) => own.includes(keyOf(one, catalogue)));
  return [
    ...missing(record, catalogue),
    ...orders(record, catalogue),
    ...repeated(newborn.identifiers, "identifiers", catalogue),
    ...repeated(newborn.mother?.identifiers, "mother", catalogue),
    ...(shared ? [fault(catalogue, "mother-is-newborn", "mother")] : []),
    ...sexes(record, catalogue),
  ];
};
