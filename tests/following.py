"""What the tests of the verbs that follow a plan share: an approved bundle in a file, and the verbs on it."""

from __future__ import annotations

from fhircare.bundle import dump, load, to_bundle
from fhircare.cli import main
from fhircare.follow.keep import approve
from tests.test_bundle_history import AT
from tests.test_follow_decide import PLAN

APPROVED = dump(approve(to_bundle(PLAN), "Ruth Okafor", AT))
GOOD = ("--worn", "30", "--skin", "clear", "--worn", "30", "--skin", "clear", "--pain", "1")


def log(bundle, day, *words):
    return main(["log", str(bundle), "--day", day, "--written-at", f"{day}T20:00:00-06:00", *words])


def review(bundle, on, *words):
    return main(["review", str(bundle), "--on", on, *words])


def held(bundle):
    return load(bundle.read_text(encoding="utf-8"))
