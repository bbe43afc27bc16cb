// Template-based extraction by the steps that HL7 SDC 4.0.0 lists for templateExtractBundle, on HL7's FHIRPath.
// node extract.mjs FOLDER < {"questionnaire", "responses"}: a line a response, {"bundle", "faults"}
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";

const need = createRequire(process.argv[2] + "/package.json");
const fhirpath = need("fhirpath");
const r4 = need("fhirpath/fhir-context/r4");
const given = JSON.parse(readFileSync(0, "utf8"));

const SDC = "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-";
const compiled = new Map();
let faults = [];

function evaluate(expression, context, resource) {
  if (!compiled.has(expression)) compiled.set(expression, fhirpath.compile(expression, r4));
  try {
    return compiled.get(expression)(context, { resource, context });
  } catch (error) {
    faults.push(`${expression}: ${error}`);
    return [];
  }
}

const extension = (element, name) => element?.extension?.find((one) => one.url === SDC + name);

function without(element, found) {
  const { extension: all, ...rest } = element;
  const others = all.filter((one) => one !== found);
  return others.length ? { extension: others, ...rest } : rest;
}

// All that an element of a template becomes in a context: nothing, itself, or several.
function filled(element, context, resource) {
  if (Array.isArray(element)) return [element.flatMap((one) => filled(one, context, resource))];
  if (element === null || typeof element !== "object") return [element];
  const within = extension(element, "templateExtractContext");
  if (within) {
    const rest = without(element, within);
    return evaluate(within.valueString, context, resource).flatMap((one) => filled(rest, one, resource));
  }
  const value = extension(element, "templateExtractValue");
  if (value) return evaluate(value.valueString, context, resource);
  const made = {};
  // What stands beside a primitive comes after it, in whatever order they are written.
  const beside = ([name]) => name.startsWith("_");
  for (const [name, content] of Object.entries(element).sort((one, other) => beside(one) - beside(other))) {
    if (name.startsWith("_")) {
      const [result] = filled(content, context, resource);
      if (result === undefined) delete made[name.slice(1)];
      else made[name.slice(1)] = result;
    } else if (Array.isArray(content)) {
      const results = content.flatMap((one) => filled(one, context, resource));
      if (results.length) made[name] = results;
    } else {
      const [result] = filled(content, context, resource);
      if (result !== undefined) made[name] = result;
    }
  }
  return Object.keys(made).length ? [made] : [];
}

const root = extension(given.questionnaire, "templateExtractBundle").valueReference.reference.slice(1);
const template = given.questionnaire.contained.find((one) => one.id === root);

for (const response of given.responses) {
  faults = [];
  const { id, ...rest } = template;
  const [bundle] = filled(rest, response, response);
  console.log(JSON.stringify({ bundle, faults }));
}
