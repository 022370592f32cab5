"""Many QuestionnaireResponses at once: in a Bundle, or one after another, each with the form it answers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.bundle.questionnaire import read_response
from fhircare.errors import Fault, LogError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from fhircare.bundle.datatypes import Json
    from fhircare.log import LogEntry


def read_responses(documents: Iterable[Mapping[str, Any]]) -> tuple[LogEntry, ...]:
    """Return the entries that QuestionnaireResponses hold, oldest first.

    A Bundle is unpacked. A Questionnaire that comes along is used for the responses that name it; a response
    may also contain its own.

    Args:
        documents: QuestionnaireResponses, Questionnaires and Bundles of them, in any order; other resources
            in a Bundle are passed over.

    Raises:
        LogError: With every fault found, each with its place; nothing is taken from a file with a fault.
    """
    found = list(documents)
    resources = [
        one for number, document in enumerate(found) for one in _unpacked(document, number, len(found))
    ]
    forms = dict(form for _, one, url in resources for form in _named(one, url))
    entries: list[LogEntry] = []
    faults: list[Fault] = []
    for place, one, _ in resources:
        if one.get("resourceType") != "QuestionnaireResponse":
            continue
        try:
            entries.append(read_response(one, forms.get(_address(one.get("questionnaire")))))
        except LogError as error:
            faults += [fault._replace(field=f"{place}{fault.field}") for fault in error.faults]
    if not entries and not faults:
        faults.append(Fault("", "holds no QuestionnaireResponse", "give the answers, not only the form"))
    if faults:
        raise LogError(faults)
    return tuple(sorted(entries, key=lambda one: (one.on, one.written_at)))


def _unpacked(document: Mapping[str, Any], number: int, of: int) -> Iterator[tuple[str, Json, str]]:
    """Yield resources with their place, as an error names it, and their fullUrl."""
    line = f"resource {number + 1}: " if of > 1 else ""
    if document.get("resourceType") != "Bundle":
        yield line, dict(document), ""
        return
    for index, entry in enumerate(document.get("entry") or []):
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if isinstance(resource, dict):
            yield f"{line}Bundle.entry[{index}].resource.", resource, str(entry.get("fullUrl", ""))


def _named(one: Json, url: str) -> Iterator[tuple[str, Json]]:
    """Yield the names by which a response may call this form."""
    if one.get("resourceType") != "Questionnaire":
        return
    for name in (one.get("url"), url, f"Questionnaire/{one['id']}" if "id" in one else ""):
        if name:
            yield _address(name), one


def _address(canonical: Any) -> str:
    """Return a canonical address without its version."""
    return str(canonical or "").partition("|")[0]
