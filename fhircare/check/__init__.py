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
from fhircare.spec.recognise import recognise

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from fhircare.check.run import Choose

__all__ = ["Against", "Issue", "Report", "check", "check_lines"]

DEFAULT_RELEASE = "R4"


@cache
def _compiler(release: str) -> Compiler:
    return Compiler(definitions(release))


def _chooser(release: str | None) -> Choose:
    """Return how a file's checkers are chosen: those of the release asked for, or of what the file tells."""
    if release is not None:
        compiler = _compiler(release)
        return lambda _: (compiler, False)

    def choose(value: Any) -> tuple[Compiler, bool]:
        told = recognise(value) if isinstance(value, dict) else None
        return _compiler(told or DEFAULT_RELEASE), told is None

    return choose


def check(resource: Any, *, release: str | None = None, name: str = "", against: Against = CLAIMS) -> Report:
    """Check one resource or bundle; every fault is found in one run.

    Args:
        resource: JSON as bytes or str, a dict, or a model of fhir.resources.
        release: ``R4`` or ``R5``; None for what the file's own elements tell (``spec.recognise``), and R4
            where nothing does: the report's ``assumed`` says so.
        name: What the report is called, such as the file's name.
        against: Profiles and packages; usually the profiles that resources claim and that come with us.

    Returns:
        The findings in document order. With text, each has its line and column.

    Raises:
        UnknownRelease: For a release whose definitions are not held.
    """
    choose = _chooser(release)
    if isinstance(resource, bytes | bytearray):
        return check_text(bytes(resource), choose, name, against)
    if isinstance(resource, str):
        return check_text(resource.encode("utf-8", "surrogatepass"), choose, name, against)
    for method in ("model_dump_json", "json"):
        dump = getattr(resource, method, None)
        if dump is not None:
            made = dump()
            value = read(made.encode() if isinstance(made, str) else made).value
            return check_value(value, choose, name, against)
    return check_value(resource, choose, name, against)


def check_lines(
    lines: Iterable[bytes], *, release: str | None = None, name: str = "", against: Against = CLAIMS
) -> Iterator[Report]:
    """Check NDJSON, one resource a line, keeping one line in memory at a time.

    Yields:
        A report for each line that is not blank, called ``name:line``; its findings' ``line`` is the line
        of the file.
    """
    choose = _chooser(release)
    for number, line in enumerate(lines, 1):
        if line.strip():
            called = f"{name}:{number}" if name else f"line {number}"
            report = check_text(line.rstrip(b"\r\n"), choose, called, against)
            report.issues = [issue.at(number, issue.column) for issue in report.issues]
            yield report
