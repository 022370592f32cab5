// Reads {"resources": [...], "cases": [{resource, root, base, node, expression}]} from standard input and writes, for each
// case, the list it evaluates to, or {"error": message}. Numbers in "resource" and "root" are places in "resources".
import fhirpath from "fhirpath";
import r4 from "fhirpath/fhir-context/r4/index.js";
import { readFileSync } from "node:fs";

const { resources, cases } = JSON.parse(readFileSync(0, "utf8"));
console.log = () => {}; // trace() writes there
const results = cases.map(({ resource, root, base, node, expression }) => {
  const environment = { resource: resources[resource], rootResource: resources[root], context: node };
  try {
    return fhirpath.evaluate(node, { base, expression }, environment, r4, { traceFn: () => {} });
  } catch (fault) {
    return { error: String(fault.message).slice(0, 200) };
  }
});
process.stdout.write(JSON.stringify(results));
