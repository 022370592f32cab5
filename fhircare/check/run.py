"""One file, from text to report: the steps of a check in their order."""

from __future__ import annotations

import gc
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from fhircare.check.bundles import check_bundle
from fhircare.check.hearing import safety_of
from fhircare.check.links import PAGES
from fhircare.check.path import Path, render
from fhircare.check.primitives import json_type
from fhircare.check.profiles import Against
from fhircare.check.reading import duplicates, names_in, read
from fhircare.check.references import check_references
from fhircare.check.report import Issue, Report
from fhircare.check.walk import Walk
from fhircare.check.words import sentence

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from fhircare.check.compile import Compiler

    # From a file as read to the checkers of its release, and whether that release is only assumed.
    Choose = Callable[[Any], tuple[Compiler, bool]]

LONGEST_STRING = 1024 * 1024
DEEPEST = 100
CLAIMS = Against()
"""Resources are held against what they claim."""


@contextmanager
def _without_collector() -> Iterator[None]:
    """Keep the garbage collector from going through a file's objects while they are read and walked.

    Nothing in them is circular, so it would find nothing, and take a third of the time.
    """
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


def check_text(raw: bytes, choose: Choose, name: str, against: Against = CLAIMS) -> Report:
    """Check one document given as bytes; findings have their line and column."""
    with _without_collector():
        return _text(raw, choose, name, against)


def _text(raw: bytes, choose: Choose, name: str, against: Against) -> Report:
    got = read(raw)
    if got.issue is not None:
        return Report([got.issue], name)
    compiler, assumed = choose(got.value)
    release = compiler.definitions.release
    issues, keys = _check(got.value, compiler, len(raw), against)
    if names_in(raw) == keys and not issues:
        return Report([], name, release, assumed)
    from fhircare.check.position import Places

    root = root_name(got.value)
    places = Places(got.text)
    found = duplicates(places, root)
    for issue in issues:
        line, column = places.of(issue.expression)
        found.append(issue.at(line, column))
    found.sort(key=lambda issue: (issue.line, issue.column))
    return Report(found, name, release, assumed)


def check_value(value: Any, choose: Choose, name: str, against: Against = CLAIMS) -> Report:
    """Check one document given as a dict; findings have no line."""
    with _without_collector():
        compiler, assumed = choose(value)
        issues, _ = _check(value, compiler, LONGEST_STRING + 1, against)
    return Report(issues, name, compiler.definitions.release, assumed)


def root_name(value: Any) -> str:
    """Return what expressions begin with: the resource's type, or ``Resource`` when it has none."""
    name = value.get("resourceType") if isinstance(value, dict) else None
    return name if isinstance(name, str) and name.isalpha() else "Resource"


def _check(value: Any, compiler: Compiler, size: int, against: Against) -> tuple[list[Issue], int]:
    """Return the findings of a document already read, and how many names the walk met."""
    root: Path = (None, root_name(value))
    walk = Walk(compiler.definitions, compiler.checker)
    if not isinstance(value, dict):
        problem = f"{json_type(value)} where a resource is due"
        walk.say(
            root,
            "fatal",
            "structure",
            "json.type",
            problem,
            'a file holds one resource: { "resourceType": ... }',
        )
        return [issue for _, issue in walk.issues], 0
    walk.root = value
    try:
        walk.enter(value, root, "root")
    except RecursionError:
        walk.say(
            _deep(value, root),
            "error",
            "too-costly",
            "json.depth",
            "nested too deeply",
            f"at most {DEEPEST} levels",
        )
        return [issue for _, issue in walk.issues], walk.keys
    walk.leave()
    issues = [issue for _, issue in walk.issues]
    gathered = walk.gathered
    if size > LONGEST_STRING and _has_long_string(value):
        issues += _long_strings(value, root, compiler.definitions.release)
    issues += check_references(gathered, compiler.definitions)
    for scope in gathered.resources:
        if scope.type == "Bundle":
            issues += check_bundle(scope, gathered, compiler.definitions)
    if gathered.narratives:
        from fhircare.check.narrative import check_narrative

        for path, div, _, _ in gathered.narratives:
            for rule, message, mend in check_narrative(div):
                issues.append(
                    Issue("error", "invariant", render(path), rule, sentence(message), sentence(mend))
                )
    issues += against.issues(walk, compiler)
    issues += safety_of(value, gathered, compiler)
    return issues, walk.keys


def _deep(value: Any, root: Path) -> Path:
    """Return the first place that is nested deeper than ``DEEPEST``."""
    waiting: list[tuple[Any, Path, int]] = [(value, root, 0)]
    while waiting:
        here, path, depth = waiting.pop()
        if depth > DEEPEST:
            return path
        if isinstance(here, dict):
            waiting += [(inner, (path, key), depth + 1) for key, inner in reversed(here.items())]
        elif isinstance(here, list):
            waiting += [(inner, (path, index), depth + 1) for index, inner in enumerate(here)][::-1]
    return root


def _has_long_string(value: Any) -> bool:
    """Tell, without keeping places, whether any string is longer than a mebi of characters."""
    waiting: list[Iterable[Any]] = [(value,)]
    while waiting:
        for inner in waiting.pop():
            kind = inner.__class__
            if kind is str:
                if len(inner) > LONGEST_STRING:
                    return True
            elif kind is dict:
                waiting.append(inner.values())
            elif kind is list:
                waiting.append(inner)
    return False


def _long_strings(value: Any, root: Path, release: str) -> list[Issue]:
    """Return a finding for each string longer than a mebi of characters, base64 content apart."""
    issues = []
    waiting: list[tuple[Any, Path]] = [(value, root)]
    while waiting:
        here, path = waiting.pop()
        if isinstance(here, dict):
            waiting += [(inner, (path, key)) for key, inner in here.items()]
        elif isinstance(here, list):
            waiting += [(inner, (path, index)) for index, inner in enumerate(here)]
        elif (
            isinstance(here, str)
            and len(here) > LONGEST_STRING
            and path[1] not in {"data", "div", "valueBase64Binary"}
        ):
            issues.append(
                Issue(
                    "error",
                    "value",
                    render(path),
                    "string.long",
                    "A string of more than 1 MB.",
                    f"At most {LONGEST_STRING} characters; put larger content into an Attachment or Binary.",
                    f"{PAGES[release]}datatypes.html#string",
                )
            )
    return issues
