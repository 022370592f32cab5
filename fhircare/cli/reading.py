"""What every verb that reads a file does: open it, read it, and name it in any error."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from fhircare.errors import InputError, PlanningError
from fhircare.files import read_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.bundle import Reading
    from fhircare.delivery import DeliveryRecord
    from fhircare.plan import Plan
    from fhircare.releases import Heard

MAX_BUNDLE = 64_000_000
"""A plan's bundle is some hundred kilobytes; this leaves room for documents inside it."""


@contextmanager
def naming(file: str) -> Iterator[None]:
    """Name the file in an error that does not know it."""
    try:
        yield
    except InputError as error:
        raise (error if error.file else error.in_file(file)) from None
    except PlanningError as error:
        raise PlanningError(f"{file}: {error.binding}", error.nearest) from None


def record(file: str) -> DeliveryRecord:
    """Return the delivery record in a file."""
    from fhircare.delivery import MAX_BYTES, read_delivery

    text = read_text(file, most=MAX_BYTES)
    with naming(file):
        return read_delivery(text)


def resources(file: str) -> list[dict[str, Any]]:
    """Return the resources in a file, in R4's spelling: one JSON document, or one resource a line."""
    text = read_text(file, most=MAX_BUNDLE)
    with naming(file):
        return resources_in(text)


def resources_in(text: str) -> list[dict[str, Any]]:
    """Return the resources in a text, in R4's spelling: one JSON document, or one resource a line."""
    from fhircare.bundle import load
    from fhircare.errors import BundleError

    try:
        return [listened(load(text)).bundle]
    except BundleError:
        lines = [line for line in text.splitlines() if line.strip()]
        if len(lines) < 2:
            raise
        return [listened(load(line)).bundle for line in lines]


def planned(file: str, *, slots: str = "") -> Plan:
    """Return the plan made from the delivery record in a file, its visits in the free slots of another."""
    from fhircare.planner import make_plan

    delivered = record(file)
    if slots:
        from fhircare.bundle.slots import read_slots

        with naming(slots):
            free = read_slots(resources(slots))
        follow_up = replace(delivered.follow_up, free_slots=free)
        delivered = delivered.model_copy(update={"follow_up": follow_up})
    with naming(file):
        return make_plan(delivered)


def came(file: str) -> Heard:
    """Return the bundle in a file in R4's spelling, with the way back to the release it is in."""
    from fhircare.bundle import load

    text = read_text(file, most=MAX_BUNDLE)
    with naming(file):
        return listened(load(text))


def listened(document: dict[str, Any]) -> Heard:
    """Return a bundle or resource in R4's spelling; where nothing tells a release it is taken as R4."""
    from fhircare.bundle.heard import listened

    return listened(document)


def bundle(file: str) -> dict[str, Any]:
    """Return the bundle in a file, in R4's spelling."""
    return came(file).bundle


def reading(file: str) -> Reading:
    """Return what the bundle in a file says, and where the file says it."""
    return read_in(came(file), file)


def read_in(found: Heard, file: str) -> Reading:
    """Return what a bundle that was heard says, and where the file that it came in says it."""
    from fhircare.bundle.heard import read_heard

    with naming(file):
        return read_heard(found)
