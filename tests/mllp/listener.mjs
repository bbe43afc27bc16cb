// A listener of HL7 v2 over mutual TLS that is not ours: `node listener.mjs PACKAGES PORT PEM LOG` writes each message that
// it has parsed as a line of JSON into LOG and accepts it.

import { appendFileSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";

const [folder, port, pem, log] = process.argv.slice(2);
const packages = createRequire(`${folder}/package.json`);
const { Server } = await import(pathToFileURL(packages.resolve("node-hl7-server")).href);
const secret = readFileSync(pem);
const tls = { key: secret, cert: secret, ca: secret, requestCert: true, rejectUnauthorized: true };
const inbound = new Server({ bindAddress: "127.0.0.1", tls }).createInbound({ port: Number(port) }, async (request, response) => {
  appendFileSync(log, `${JSON.stringify(request.getMessage().toString())}\n`);
  await response.sendResponse("AA");
});
inbound.on("listen", () => console.log("ready"));
inbound.on("client.error", () => undefined);
