"""A FHIR server in a few lines, in this process: strict where it matters, and made to misbehave by tests.

It judges nothing about FHIR content (the two real servers do). It keeps what it is sent, by the rules of
FHIR's RESTful API (R4, http.html): versions, If-Match, If-None-Exist, transactions, searches with pages.
"""

from __future__ import annotations

import copy
import json
import re
import threading
from collections import Counter
from urllib.parse import parse_qs, parse_qsl, urlencode, urlsplit

KINDS = (
    "Appointment",
    "CarePlan",
    "CareTeam",
    "CommunicationRequest",
    "Condition",
    "Device",
    "DetectedIssue",
    "DeviceRequest",
    "DeviceAssociation",
    "DeviceUsage",
    "DeviceUseStatement",
    "DocumentReference",
    "Flag",
    "Goal",
    "HealthcareService",
    "Location",
    "Observation",
    "Organization",
    "Patient",
    "Practitioner",
    "PractitionerRole",
    "Provenance",
    "RelatedPerson",
    "ServiceRequest",
    "SupplyDelivery",
    "Task",
    "Binary",
    "Bundle",
    "Questionnaire",
    "QuestionnaireResponse",
)
INTERACTIONS = ("read", "create", "update", "search-type")


class RefusesError(Exception):
    """The server says no: status, and what it says."""

    def __init__(self, status, text="no", code="invalid"):
        self.status = status
        self.body = {
            "resourceType": "OperationOutcome",
            "issue": [{"severity": "error", "code": code, "diagnostics": text}],
        }


class Stub:
    """The server. ``seen`` holds every request as (method, path, headers, body)."""

    def __init__(self, base="https://fhir.example/r4"):
        self.base, self.held, self.seen = base, {}, []
        self.lock = threading.RLock()
        self.numbers = 0
        self.page = 1000
        self.kinds = {kind: list(INTERACTIONS) for kind in KINDS}
        self.system = ["transaction", "batch"]
        self.conditional_create = True
        self.rewrites = True
        self.ignores_parameters = False
        self.most_entries, self.most_conditional = 50, 8
        self.as_batch = False
        self.posts_searches = True
        self.profiles = {}
        self.on_write = lambda resource: None
        self.tells_location = True
        self.tags_in_batches = True
        self.version = "4.0.1"

    # --- what tests ask ------------------------------------------------------------------------------------

    def counts(self):
        """How many resources carry each identifier, by type."""
        found = Counter()
        for resource in self.held.values():
            names = resource.get("identifier") or [{}]
            names = names if isinstance(names, list) else [names]
            found[(resource["resourceType"], names[0].get("system"), names[0].get("value"))] += 1
        return found

    def of(self, kind):
        """All resources of a type."""
        return [r for r in self.held.values() if r["resourceType"] == kind]

    def writes(self):
        """Every request that was to change something."""
        return [
            (method, path, body)
            for method, path, _, body in self.seen
            if method == "PUT"
            or (method == "POST" and not path.endswith(("_search", "$validate")) and not _reads(body))
        ]

    # --- HTTP ----------------------------------------------------------------------------------------------

    def answer(self, method, url, headers, data):
        """Return status, headers and body of the answer to one request."""
        parts = urlsplit(url)
        path = parts.path[len(urlsplit(self.base).path) :].strip("/")
        text = data.decode() if isinstance(data, bytes) else (data or "")
        form = "form" in headers.get("Content-Type", "")
        body = json.loads(text) if text and not form else None
        with self.lock:
            self.seen.append((method, path, dict(headers), body))
            try:
                query = parse_qs(text) if form else parse_qs(parts.query)
                status, resource = self._route(method, path, query, headers, body)
            except RefusesError as no:
                status, resource = no.status, no.body
        told = {"Content-Type": "application/fhir+json; charset=utf-8"}
        version = (resource or {}).get("meta", {}).get("versionId")
        if version:
            told["ETag"] = f'W/"{version}"'
            if status == 201 and self.tells_location:
                told["Location"] = f"{self.base}/{_name(resource)}/_history/{version}"
        return status, told, json.dumps(resource, default=float) if resource is not None else ""

    def _route(self, method, path, query, headers, body):
        if path == "metadata":
            return 200, self._capabilities()
        if not path and method == "POST":
            return 200, self._bundle(body)
        kind, _, rest = path.partition("/")
        if kind not in self.kinds:
            raise RefusesError(404, "unknown type")
        if rest == "_search":
            if not self.posts_searches:
                raise RefusesError(405)
            return 200, self._search(kind, query)
        if method == "GET" and not rest:
            return 200, self._search(kind, query)
        if method == "GET":
            return 200, self._held(path)
        if method == "POST":
            return self._create(kind, body, headers.get("If-None-Exist", ""))
        return self._update(path, body, headers.get("If-Match", ""))

    def _capabilities(self):
        return {
            "resourceType": "CapabilityStatement",
            "fhirVersion": self.version,
            "format": ["json"],
            "rest": [
                {
                    "mode": "server",
                    "interaction": [{"code": code} for code in self.system],
                    "resource": [
                        {
                            "type": kind,
                            "versioning": "versioned",
                            "conditionalCreate": self.conditional_create,
                            "interaction": [{"code": code} for code in codes],
                            "supportedProfile": self.profiles.get(kind, []),
                        }
                        for kind, codes in self.kinds.items()
                    ],
                }
            ],
        }

    # --- the store -----------------------------------------------------------------------------------------

    def _held(self, name):
        if name not in self.held:
            raise RefusesError(404, "not found", "not-found")
        return self.held[name]

    def put(self, resource, number=""):
        """Store a resource as a new version; return it."""
        resource = copy.deepcopy(resource)
        if not number:
            self.numbers += 1
            number = f"r{self.numbers}"
        before = (
            self.held.get(f"{resource['resourceType']}/{number}", {}).get("meta", {}).get("versionId", "0")
        )
        resource["id"] = number
        resource["meta"] = {
            **(resource.get("meta") or {}),
            "versionId": str(int(before) + 1),
            "lastUpdated": "2026-11-25T12:00:00Z",
        }
        self.held[_name(resource)] = resource
        return copy.deepcopy(resource)

    def _create(self, kind, body, condition):
        self._check(body, kind)
        if condition:
            if condition.startswith("?") or "=" not in condition:
                raise RefusesError(400, "bad condition")
            found = self._matching(kind, {name: [value] for name, value in parse_qsl(condition)})
            if len(found) > 1:
                raise RefusesError(412, "more than one", "duplicate")
            if found:
                return 200, found[0]
        return 201, self.put(body)

    def _update(self, name, body, match):
        if name not in self.held:
            raise RefusesError(405, "no update as create")
        current = self.held[name]["meta"]["versionId"]
        if match and match != f'W/"{current}"':
            raise RefusesError(412, "not the current version", "conflict")
        self._check(body, name.split("/")[0])
        return 200, self.put(body, name.split("/")[1])

    def _check(self, body, kind):
        if body.get("resourceType") != kind:
            raise RefusesError(400, "wrong type")
        self.on_write(body)
        for reference in references(body):
            if reference.startswith(("#", "http")) and not reference.startswith(self.base):
                continue
            if reference.removeprefix(f"{self.base}/") not in self.held:
                raise RefusesError(422, f"{kind} refers to what is not here", "not-found")

    def _matching(self, kind, query):
        rows = [r for r in self.held.values() if r["resourceType"] == kind]
        if self.ignores_parameters:
            return rows
        for name, values in query.items():
            if name.startswith("_"):
                continue
            rows = [r for r in rows if _fits(r, name, values[0])]
        return rows

    def _search(self, kind, query):
        query = {name: values for name, values in query.items() if name != "_offset"} | {
            "_offset": query.get("_offset", ["0"])
        }
        offset = int(query["_offset"][0])
        rows = self._matching(kind, query)
        told = {name: values[0] for name, values in query.items() if name != "_offset"}
        if self.ignores_parameters:
            told = {}
        link = [{"relation": "self", "url": f"{self.base}/{kind}?{urlencode(told)}"}]
        if len(rows) > offset + self.page:
            following = urlencode({**told, "_offset": offset + self.page})
            link.append({"relation": "next", "url": f"{self.base}/{kind}?{following}"})
        shown = rows[offset : offset + self.page]
        return {
            "resourceType": "Bundle",
            "type": "searchset",
            "link": link,
            "entry": [{"resource": r, "search": {"mode": "match"}} for r in shown],
        }

    def _bundle(self, bundle):
        entries = bundle["entry"]
        if bundle["type"] == "batch":
            return {
                "resourceType": "Bundle",
                "type": "batch-response",
                "entry": [self._alone(e) for e in entries],
            }
        conditional = any("ifNoneExist" in e["request"] for e in entries)
        if len(entries) > (self.most_conditional if conditional else self.most_entries):
            raise RefusesError(400, "too many entries", "too-costly")
        if self.as_batch:
            answers = [self._alone(e) for e in entries]
            return {"resourceType": "Bundle", "type": "transaction-response", "entry": answers}
        before = dict(self.held)  # what is held is replaced, never changed
        try:
            answers = self._together(entries)
        except RefusesError:
            self.held = before
            raise
        return {"resourceType": "Bundle", "type": "transaction-response", "entry": answers}

    def _together(self, entries):
        names, answers = {}, []
        for entry in entries:  # ids first, so that entries may refer to later ones
            request = entry["request"]
            if request["method"] == "POST":
                found = []
                if request.get("ifNoneExist"):
                    query = {name: [value] for name, value in parse_qsl(request["ifNoneExist"])}
                    found = self._matching(request["url"], query)
                    if len(found) > 1:
                        raise RefusesError(412, "more than one", "duplicate")
                if found:
                    names[entry["fullUrl"]] = _name(found[0])
                else:
                    self.numbers += 1
                    names[entry["fullUrl"]] = f"{request['url']}/r{self.numbers}"
                    self.held[names[entry["fullUrl"]]] = {
                        "resourceType": request["url"],
                        "meta": {"versionId": "0"},
                    }
        for entry in entries:
            request, body = entry["request"], copy.deepcopy(entry["resource"])
            if self.rewrites:
                _rewrite(body, names)
            if request["method"] == "PUT":
                status, stored = self._update(request["url"], body, request.get("ifMatch", ""))
            else:
                name = names[entry["fullUrl"]]
                if self.held[name]["meta"]["versionId"] != "0":
                    status, stored = 200, self.held[name]
                else:
                    if self.rewrites:
                        self._check(body, request["url"])
                    status, stored = 201, self.put(body, name.split("/")[1])
            location = f"{_name(stored)}/_history/{stored['meta']['versionId']}"
            answer = {"status": str(status), "etag": f'W/"{stored["meta"]["versionId"]}"'}
            if self.tells_location and status == 201:
                answer["location"] = location
            answers.append({"response": answer})
        return answers

    def _alone(self, entry):
        request = entry["request"]
        path, _, query = request["url"].partition("?")
        headers = {"If-Match": request.get("ifMatch", ""), "If-None-Exist": request.get("ifNoneExist", "")}
        try:
            status, resource = self._route(
                request["method"], path, parse_qs(query), headers, entry.get("resource")
            )
        except RefusesError as no:
            return {"response": {"status": str(no.status), "outcome": no.body}}
        answer = {"response": {"status": str(status)}, "resource": resource}
        version = (resource.get("meta") or {}).get("versionId")
        if version and self.tags_in_batches:
            answer["response"]["etag"] = f'W/"{version}"'
        if status == 201:
            answer["response"]["location"] = _name(resource)
        return answer


def _fits(resource, name, value):
    if name == "identifier":
        return any(_carries(resource, token) for token in re.split(r"(?<!\\),", value))
    if name in ("patient", "subject", "target", "focus", "owner", "performer"):
        element = {"patient": "subject"}.get(name, name)
        values = resource.get(element) or (resource.get("patient") if name == "patient" else None) or []
        values = values if isinstance(values, list) else [values]
        return any(str(v.get("reference", "")).endswith(value) for v in values)
    if name == "status":
        return resource.get("status") in value.split(",")
    return False


def _carries(resource, token):
    system, _, number = (_unescaped(part) for part in re.split(r"(?<!\\)(\|)", token, maxsplit=1))
    numbers = resource.get("identifier") or []
    return any(i.get("system") == system and i.get("value") == number for i in numbers)


def _unescaped(text):
    return re.sub(r"\\(.)", r"\1", text)


def references(value):
    """Every literal reference in a resource."""
    if isinstance(value, dict):
        if isinstance(value.get("reference"), str):
            yield value["reference"]
        for inner in value.values():
            yield from references(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from references(inner)


def _rewrite(value, names):
    if isinstance(value, dict):
        if isinstance(value.get("reference"), str) and value["reference"] in names:
            value["reference"] = names[value["reference"]]
        for inner in value.values():
            _rewrite(inner, names)
    elif isinstance(value, list):
        for inner in value:
            _rewrite(inner, names)


def _name(resource):
    return f"{resource['resourceType']}/{resource['id']}"


def _reads(body):
    return isinstance(body, dict) and body.get("type") == "batch"
