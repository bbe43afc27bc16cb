// Who examined and who was examined; that mother and newborn share no identifier.
import { doubt, fault } from "./problems.mjs";
import { instant } from "./moments.mjs";
import { typicalSex } from "./completeness.mjs";

const keyOf = (identifier, catalogue) =>
  `${catalogue.identifier_systems[identifier.system] ?? identifier.system}|${identifier.value}`;

const repeated = (identifiers, field, catalogue) => {
  const keys = (identifiers ?? []).map((one) => keyOf(one, catalogue));
  return keys.some((key, n) => keys.indexOf(key) !== n)
    ? [fault("identifier-twice", "An identifier stands twice.", "Each identifier once.", field)]
    : [];
};

const EXAM_ID = /^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$/;

const missing = ({ exam, newborn }) => {
  const given = (list) => (list ?? []).length && list.every((one) => one.system && !/\s/.test(one.system) && one.value);
  const tests = [
    [exam.kind, "kind", "The kind of exam is not chosen."],
    [EXAM_ID.test(exam.id ?? ""), "id", "The exam's id takes letters, digits, point, hyphen and underscore."],
    [given(newborn.identifiers), "identifiers", "The newborn needs an identifier and whose it is (no spaces in that)."],
    [newborn.sex, "sex", "The newborn's sex is not given; unknown is an answer."],
    [instant(newborn.birth_time) !== null, "birth_time", "The time of birth is not given."],
    [instant(exam.started) !== null, "started", "The start of the exam is not given."],
    [(exam.examiners ?? []).some((one) => (one.name || one.identifier) && one.role), "examiner", "The examiner's name or role is missing."],
    [!newborn.mother || given(newborn.mother.identifiers), "mother", "The mother needs an identifier of her own."],
    [exam.status === "final" || exam.reason, "reason", "A correction needs its reason."],
  ];
  return tests.filter(([well]) => !well).map(([, field, what]) => fault("missing-field", what, "Fill it in.", field));
};

const orders = ({ newborn }) => {
  const { order, of } = newborn.birth_order ?? {};
  return order && of && order > of
    ? [fault("wrong-field", `Order ${order} of ${of} cannot be.`, "It counts from 1.", "birth_order")]
    : [];
};

const sexes = (record) => {
  const seen = record.findings.findIndex((f) => f.item === "genital_type" && !f.not_examined);
  const typical = typicalSex(record);
  const known = ["female", "male"].includes(record.newborn.sex);
  if (seen < 0 || !known || !typical || typical === record.newborn.sex) return [];
  const what = "The sex on record and the genital type seen do not agree.";
  return [doubt("sex-and-genital-type", what, "Check both, and that this is the right infant.", seen)];
};

export const checkPeople = (record, catalogue) => {
  const { newborn } = record;
  const own = (newborn.identifiers ?? []).map((one) => keyOf(one, catalogue));
  const shared = (newborn.mother?.identifiers ?? []).some((one) => own.includes(keyOf(one, catalogue)));
  const whose = "Mother and newborn share an identifier.";
  return [
    ...missing(record),
    ...orders(record),
    ...repeated(newborn.identifiers, "identifiers", catalogue),
    ...repeated(newborn.mother?.identifiers, "mother", catalogue),
    ...(shared ? [fault("mother-is-newborn", whose, "The mother's own number; never the newborn's.", "mother")] : []),
    ...sexes(record),
  ];
};
