// What an integrator does with fhir-kit-client: node kit_client.mjs MODULE BASE BUNDLE_FILE [TOKEN] -> one JSON object on stdout.
import { readFileSync } from "node:fs";

const [module, baseUrl, bundleFile, bearerToken] = process.argv.slice(2);
const { default: Default, Client = Default } = await import(module);
const client = new Client(bearerToken ? { baseUrl, bearerToken } : { baseUrl });

const told = {};
const capability = await client.capabilityStatement();
told.fhirVersion = capability.fhirVersion;

let page = await client.search({ resourceType: "Observation", searchParams: { _count: 7, _sort: "_id" } });
told.pages = [];
told.ids = [];
while (page) {
  const matches = (page.entry ?? []).filter((entry) => entry.search.mode === "match");
  told.pages.push(matches.length);
  told.ids.push(...matches.map((entry) => entry.resource.id));
  page = page.link.some((link) => link.relation === "next") ? await client.nextPage({ bundle: page }) : null;
}

const id = told.ids[0];
told.read = (await client.read({ resourceType: "Observation", id })).id;
told.vread = (await client.vread({ resourceType: "Observation", id, version: "1" })).meta.versionId;
told.history = (await client.history({ resourceType: "Observation", id })).type;
try {
  await client.read({ resourceType: "Observation", id: "unknown" });
} catch (fault) {
  told.refused = [fault.response.status, fault.response.data.resourceType];
}
const body = JSON.parse(readFileSync(bundleFile, "utf-8"));
told.transactions = [];
for (let time = 0; time < 2; time += 1) {
  const answer = await client.transaction({ body });
  told.transactions.push(answer.entry.map((entry) => [entry.response.status.slice(0, 3), entry.response.location ?? ""]));
}
process.stdout.write(JSON.stringify(told));
