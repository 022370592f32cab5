"""The check: does a resource or bundle conform to FHIR?

::

    from fhircare.check import check

    report = check(text)                # bytes, str, a dict, or a model of fhir.resources
    for issue in report.issues:
        issue.severity, issue.expression, issue.line, issue.message, issue.mend

In order: the JSON is read (``reading``); one walk over it checks structure, primitives, bindings and
invariants with functions compiled from the definitions (``write``, ``compile``, ``walk``) and gathers what
the next steps need; then references and bundles, narratives, and the profiles that resources claim.
Positions are looked up only for what was found.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from fhircare.check.compile import Compiler
from fhircare.check.profiles import Against
from fhircare.check.reading import read
from fhircare.check.report import Issue, Report
from fhircare.check.run import CLAIMS, check_text, check_value
from fhircare.spec import definitions

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

__all__ = ["Against", "Issue", "Report", "check", "check_lines"]

DEFAULT_RELEASE = "R4"


@cache
def _compiler(release: str) -> Compiler:
    return Compiler(definitions(release))


def check(resource: Any, *, release: str | None = None, name: str = "", against: Against = CLAIMS) -> Report:
    """Check one resource or bundle; every fault is found in one run.

    Args:
        resource: JSON as bytes or str, a dict, or a model of fhir.resources.
        release: ``R4``; None for the default, R4.
        name: What the report is called, such as the file's name.
        against: Profiles and packages; usually the profiles that resources claim and that come with us.

    Returns:
        The findings in document order. With text, each has its line and column.

    Raises:
        UnknownRelease: For a release whose definitions are not held.
    """
    compiler = _compiler(release or DEFAULT_RELEASE)
    if isinstance(resource, bytes | bytearray):
        return check_text(bytes(resource), compiler, name, against)
    if isinstance(resource, str):
        return check_text(resource.encode("utf-8", "surrogatepass"), compiler, name, against)
    for method in ("model_dump_json", "json"):
        dump = getattr(resource, method, None)
        if dump is not None:
            made = dump()
            value = read(made.encode() if isinstance(made, str) else made).value
            return check_value(value, compiler, name, against)
    return check_value(resource, compiler, name, against)


def check_lines(
    lines: Iterable[bytes], *, release: str | None = None, name: str = "", against: Against = CLAIMS
) -> Iterator[Report]:
    """Check NDJSON, one resource a line, keeping one line in memory at a time.

    Yields:
        A report for each line that is not blank, called ``name:line``; its findings' ``line`` is the line
        of the file.
    """
    compiler = _compiler(release or DEFAULT_RELEASE)
    for number, line in enumerate(lines, 1):
        if line.strip():
            called = f"{name}:{number}" if name else f"line {number}"
            report = check_text(line.rstrip(b"\r\n"), compiler, called, against)
            report.issues = [issue.at(number, issue.column) for issue in report.issues]
            yield report
