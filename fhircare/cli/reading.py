"""What every verb that reads a file does: open it, read it, and name it in any error."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from fhircare.errors import BundleError, Fault, InputError, PlanningError, TemplateError, UnknownRelease
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
def naming(file: str, held: dict[str, Any] | None = None) -> Iterator[None]:
    """Name the file in an error that does not know it.

    Args:
        file: The file that is worked on.
        held: The bundle in it. What works on a bundle takes FHIR's shapes for granted; where that fails and
            the check finds the file at fault, this says so. Nothing is checked while all goes well.
    """
    try:
        yield
    except InputError as error:
        raise (error if error.file else error.in_file(file)) from None
    except PlanningError as error:
        raise PlanningError(f"{file}: {error.binding}", error.nearest) from None
    except (TemplateError, UnknownRelease) as error:
        raise type(error)(f"{file}: {error}") from None
    except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError):
        fault = _no_sound_fhir(held) if held is not None else None
        if fault is None:
            raise
        raise BundleError(fault, file=file) from None


def _no_sound_fhir(held: dict[str, Any]) -> Fault | None:
    """Return the first error that the check finds in a bundle, as the fault of its file."""
    from fhircare.bundle import dump
    from fhircare.check import check

    errors = [one for one in check(dump(held).encode("utf-8", "replace")).issues if one.severity == "error"]
    mend = f"`fhircare check` tells all {len(errors)} faults; mend them first"
    return Fault(errors[0].expression, "is not what FHIR asks for", mend) if errors else None


def record(file: str, common: str = "") -> DeliveryRecord:
    """Return the delivery record in a file, laid over the fields of another that a clinic's records share."""
    from fhircare.delivery import MAX_BYTES, read_delivery

    text = read_text(file, most=MAX_BYTES)
    if not common:
        with naming(file):
            return read_delivery(text)
    from fhircare.delivery.reading import delivery_of, laid_over, read_fields

    with naming(common):
        shared, _ = read_fields(read_text(common, most=MAX_BYTES))
    with naming(file):
        fields, lines = read_fields(text)
        # A fault in what is shared has no line here: the line of the whole would only send people astray.
        return delivery_of(laid_over(shared, fields), {place: line for place, line in lines.items() if place})


def resources(file: str) -> list[dict[str, Any]]:
    """Return the resources in a file, in R4's spelling: one JSON document, or one resource a line."""
    text = read_text(file, most=MAX_BUNDLE)
    with naming(file):
        return resources_in(text)


def resources_in(text: str) -> list[dict[str, Any]]:
    """Return the resources in a text, in R4's spelling: one JSON document, or one resource a line."""
    from fhircare.bundle import load

    try:
        return [listened(load(text)).bundle]
    except BundleError:
        lines = [(number, line) for number, line in enumerate(text.split("\n"), 1) if line.strip()]
        if len(lines) < 2 or not lines[0][1].rstrip().endswith("}"):
            raise  # a document of many lines, not a line for each resource
    found = []
    for number, line in lines:
        try:
            found.append(listened(load(line)).bundle)
        except BundleError as error:
            raise BundleError([fault._replace(line=number) for fault in error.faults]) from None
    return found


def planned(file: str, *, slots: str = "", common: str = "") -> Plan:
    """Return the plan made from the delivery record in a file, its visits in the free slots of another.

    Args:
        file: The record.
        slots: File of free Slots; "" for the clinic's opening hours.
        common: File of the fields that a clinic's records share; "" for none.
    """
    from fhircare.planner import make_plan

    delivered = record(file, common)
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
