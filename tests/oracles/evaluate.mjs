// Reads {"resources": [...], "cases": [{resource, root, base, node, expression}]} from standard input and writes, for each
// case, the list it evaluates to, or {"error": message}. "resource", "root" and "node" are places in "resources".
import fhirpath from "fhirpath";
import r4 from "fhirpath/fhir-context/r4/index.js";
import { readFileSync } from "node:fs";

const { resources, cases } = JSON.parse(readFileSync(0, "utf8"));
const options = { traceFn: () => {} };
const compiled = new Map();
const rule = (base, expression) => {
  const key = `${base}: ${expression}`;
  if (!compiled.has(key)) compiled.set(key, fhirpath.compile({ base, expression }, r4, options));
  return compiled.get(key);
};
const results = cases.map(({ resource, root, base, node, expression }) => {
  const environment = { resource: resources[resource], rootResource: resources[root], context: resources[node] };
  try {
    return rule(base, expression)(resources[node], environment);
  } catch (fault) {
    return { error: String(fault.message).slice(0, 200) };
  }
});
process.stdout.write(JSON.stringify(results));
