"""The check: does a resource or bundle conform to FHIR?

::

    from fhircare.check import check

    report = check(text)                # bytes, str, a dict, or a model of fhir.resources
    for issue in report.issues:
        issue.severity, issue.expression, issue.line, issue.message, issue.mend

In order: the JSON is read (``reading``); one walk over it checks structure, primitives, bindings and
invariants with functions compiled from the definitions (``write``, ``compile``, ``walk``) and gathers what
the next steps need; then references and bundles, and narratives. Positions are looked up only for what was
found.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from fhircare.check.compile import Compiler
from fhircare.check.reading import read
from fhircare.check.report import Issue, Report
from fhircare.check.run import check_text, check_value
from fhircare.spec import definitions

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

__all__ = ["Issue", "Report", "check", "check_lines"]

DEFAULT_RELEASE = "R4"


@cache
def _compiler(release: str) -> Compiler:
    return Compiler(definitions(release))


def check(resource: Any, *, release: str | None = None, name: str = "") -> Report:
    """Check one resource or bundle; every fault is found in one run.

    Args:
        resource: JSON as bytes or str, a dict, or a model of fhir.resources.
        release: ``R4``; None for the default, R4.
        name: What the report is called, such as the file's name.

    Returns:
        The findings in document order. With text, each has its line and column.

    Raises:
        UnknownRelease: For a release whose definitions are not held.
    """
    compiler = _compiler(release or DEFAULT_RELEASE)
    if isinstance(resource, bytes | bytearray):
        return check_text(bytes(resource), compiler, name)
    if isinstance(resource, str):
        return check_text(resource.encode("utf-8", "surrogatepass"), compiler, name)
    for method in ("model_dump_json", "json"):
        dump = getattr(resource, method, None)
        if dump is not None:
            made = dump()
            value = read(made.encode() if isinstance(made, str) else made).value
            return check_value(value, compiler, name)
    return check_value(resource, compiler, name)


def check_lines(lines: Iterable[bytes], *, release: str | None = None, name: str = "") -> Iterator[Report]:
    """Check NDJSON, one resource a line, keeping one line in memory at a time.

    Yields:
        A report for each line that is not blank, called ``name:line``; its findings' ``line`` is the line
        of the file.
    """
    compiler = _compiler(release or DEFAULT_RELEASE)
    for number, line in enumerate(lines, 1):
        if line.strip():
            report = check_text(line, compiler, f"{name}:{number}" if name else f"line {number}")
            report.issues = [issue.at(number, issue.column) for issue in report.issues]
            yield report
