"""The document form holds the same plan, and leads to everything in it."""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
from dataclasses import replace

import pytest

from fhircare.bundle import contradictions, dump, read, to_bundle
from fhircare.bundle.document import as_document, handout_entry
from fhircare.check import check
from fhircare.errors import BundleError
from fhircare.releases import validate_models
from tests.plans import whole_plan

BUNDLE = to_bundle(whole_plan())
NOON = dt.datetime(2026, 11, 16, 12, 0, tzinfo=dt.UTC)


def test_a_document_conforms_and_every_entry_is_led_to() -> None:
    """bdl-9, bdl-10, bdl-11 and the rest of R4: no finding, not even that an entry is out of reach."""
    document = as_document(BUNDLE)

    assert [one for one in check(dump(document)).issues if one.source == "spec"] == []
    validate_models(document)
    assert document["entry"][0]["resource"]["resourceType"] == "Composition"


def test_a_document_reads_as_the_same_plan() -> None:
    """The plan in it is the plan, and it contradicts nothing."""
    reading = read(as_document(BUNDLE))

    assert reading.plan == whole_plan()
    assert contradictions(reading) == ()


def test_the_same_bundle_gives_the_same_document() -> None:
    """No clock, no chance."""
    assert dump(as_document(BUNDLE)) == dump(as_document(to_bundle(whole_plan())))


def test_a_draft_is_a_preliminary_document() -> None:
    """A plan that nobody has approved is not handed over as final."""
    draft = as_document(to_bundle(replace(whole_plan(), status="draft", intent="proposal")))

    assert draft["entry"][0]["resource"]["status"] == "preliminary"
    assert as_document(BUNDLE)["entry"][0]["resource"]["status"] == "final"


def test_a_document_needs_a_time() -> None:
    """bdl-10: a plan that tells no time needs one from the caller."""
    timeless = to_bundle(replace(whole_plan(), written_at=None))

    with pytest.raises(BundleError, match="tells no time"):
        as_document(timeless)
    assert as_document(timeless, at=NOON)["timestamp"] == "2026-11-16T12:00:00+00:00"


def test_a_bundle_without_a_plan_is_no_document() -> None:
    """There is nothing to compose."""
    with pytest.raises(BundleError, match="holds no CarePlan"):
        as_document({"resourceType": "Bundle", "type": "collection", "entry": []})


def test_a_handout_travels_whole_and_can_be_proved() -> None:
    """The attachment is the handout's bytes, with their size and SHA-1 (R4 Attachment.hash)."""
    content = b"%PDF-1.7 a handout"
    entry = handout_entry(BUNDLE, content, "application/pdf", title="Your plan", language="es-US", at=NOON)
    attachment = entry["resource"]["content"][0]["attachment"]

    assert base64.b64decode(attachment["data"]) == content
    assert attachment["size"] == len(content)
    assert base64.b64decode(attachment["hash"]) == hashlib.sha1(content, usedforsecurity=False).digest()
    together = {**BUNDLE, "entry": [*BUNDLE["entry"], entry]}
    found = check(dump(together)).issues
    assert [one for one in found if one.severity in {"error", "fatal"} and one.source == "spec"] == []
    assert contradictions(read(together)) == ()
