"""What a real server holds, asked by plain requests past our client; and plans of which no two runs meet."""

from __future__ import annotations

import copy
import dataclasses
import uuid

import requests
from fhir.resources import get_fhir_model_class

from fhircare.exchange import same as sameness
from fhircare.exchange import wire
from fhircare.planner import make_plan
from fhircare.releases import say
from tests.plans import whole_plan

SHARED = ("Organization", "Practitioner", "PractitionerRole", "HealthcareService")
"""Kinds that the examples share: whoever sent them first has written them."""
FHIR_JSON = "application/fhir+json"
SECONDS = 120


@dataclasses.dataclass
class There:
    """One server."""

    base: str
    release: str
    session: requests.Session = dataclasses.field(default_factory=requests.Session)

    def said(self, resource):
        """A resource or bundle in the server's release."""
        return say(resource, self.release)

    def get(self, name, **parameters):
        """What a plain GET gives."""
        return self._got(f"{self.base}/{name}", parameters)

    def create(self, resource):
        """Write a resource as another system would; return it as it is stored."""
        made = self.session.post(
            f"{self.base}/{resource['resourceType']}",
            data=wire.dumps(resource),
            headers={"Content-Type": FHIR_JSON, "Prefer": "return=representation"},
            timeout=SECONDS,
        )
        assert made.status_code == 201, made.text
        return made.json()

    def search(self, kind, **parameters):
        """Every resource a search finds, page by page."""
        page, found = self.get(kind, **parameters), []
        while True:
            found += [e["resource"] for e in page.get("entry", []) if e["search"]["mode"] == "match"]
            following = [link["url"] for link in page["link"] if link["relation"] == "next"]
            if not following:
                return found
            page = self._got(following[0], {})

    def held(self, report):
        """What the server has of each entry of a report, by reference."""
        return {entry.reference: self.get(entry.reference) for entry in report.entries}

    def totals(self, bundle):
        """How many resources of each type of a bundle the server holds, by its own count."""
        kinds = sorted({entry["resource"]["resourceType"] for entry in self.said(bundle)["entry"]})
        return {kind: self.get(kind, _summary="count")["total"] for kind in kinds}

    def stored_as_sent(self, bundle, report):
        """Assert that a plain GET of each entry gives what was sent; return what was got, by reference."""
        stored, theirs = self.held(report), self.said(bundle)
        assert report.verified, [entry for entry in report.entries if entry.note]
        assert "urn:uuid:" not in str(list(stored.values()))
        names = {
            e["fullUrl"]: row.reference for e, row in zip(theirs["entry"], rows(theirs, report), strict=True)
        }
        for entry in theirs["entry"]:
            if entry["resource"]["resourceType"] in SHARED:
                continue
            ours = _literal(entry["resource"], names)
            ours.get("meta", {}).pop("profile", None)
            assert sameness.differences(ours, stored[names[entry["fullUrl"]]], self.base) == []
        if self.release == "R5":
            r5_models_take(stored.values())
        return stored

    def _got(self, url, parameters):
        headers = {"Accept": FHIR_JSON, "Cache-Control": "no-cache"}
        answer = self.session.get(url, params=parameters, headers=headers, timeout=SECONDS)
        assert answer.status_code == 200, answer.text
        return answer.json()


def plan_of(example):
    """The plan of an example record (or "whole", with every field), its numbers and patient its own, so that
    runs do not meet.
    """
    from fhircare.delivery import read_delivery
    from tests.conftest import RECORDS

    plan = (
        whole_plan()
        if example == "whole"
        else make_plan(read_delivery((RECORDS / f"{example}.yaml").read_text(encoding="utf-8")))
    )
    mark = uuid.uuid4().hex[:8]

    def own(number):
        return number and dataclasses.replace(number, value=f"{number.value}-{mark}")

    goals = tuple(dataclasses.replace(goal, identifier=own(goal.identifier)) for goal in plan.goals)
    numbers = tuple(own(number) for number in plan.patient.identifiers)
    return dataclasses.replace(
        plan,
        number=f"{plan.number}-{mark}",
        order=plan.order and dataclasses.replace(plan.order, identifier=own(plan.order.identifier)),
        goals=goals,
        patient=dataclasses.replace(plan.patient, identifiers=numbers),
        prosthesis=dataclasses.replace(plan.prosthesis, identifier=None),
    )


def r5_models_take(resources):
    """Assert that fhir.resources, whose models are R5's, takes each resource."""
    for one in resources:
        get_fhir_model_class(one["resourceType"]).model_validate(one)


def rows(bundle, report):
    """The rows of a report in the order of the bundle's entries."""
    by_place = {row.place: row for row in report.entries}
    return [by_place[f"Bundle.entry[{index}]"] for index in range(len(bundle["entry"]))]


def place_of_order(bundle):
    """Where in a bundle the physician's order stands, as a report says it."""
    return next(
        f"Bundle.entry[{i}]" for i, e in enumerate(bundle["entry"]) if e["resource"].get("intent") == "order"
    )


def number_of(bundle):
    """System and value of the patient's first number."""
    patient = next(e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Patient")
    return patient["identifier"][0]["system"], patient["identifier"][0]["value"]


def _literal(resource, names):
    resource = copy.deepcopy(resource)

    def walk(value):
        if isinstance(value, dict):
            if isinstance(value.get("reference"), str):
                value["reference"] = names.get(value["reference"], value["reference"])
            for inner in value.values():
                walk(inner)
        elif isinstance(value, list):
            for inner in value:
                walk(inner)

    walk(resource)
    return resource
