"""Our answers beside those of two other FHIRPath engines, for every invariant at every place of HL7's R4
examples.

Each invariant is asked as published, of the element as it stands and with each of its members left out in
turn. Where an engine and we disagree, the table below must explain it, and every line of the table must still
be needed.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from collections import Counter
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from fhircare.check.fhirpath.overrides import override_of
from tests.rule_pairs import Pair, examples, pairs, variants

if TYPE_CHECKING:
    from decimal import Decimal

ORACLES = Path(__file__).parent / "oracles"
SAMPLES = 10  # how many places of each invariant are also asked with members left out

# By a rule's key, or by words of the engine's own error. "Additional" is that part of R4 fhirpath.html.
EXPLAINED: dict[str, dict[str, str]] = {
    "fhirpathpy": {
        "Not implemented: hasValue": "Additional: hasValue() is FHIR's; the engine lacks it",
        "Not implemented: resolve": "Additional: resolve() is FHIR's; the engine lacks it",
        "Not implemented: htmlChecks": "Additional: htmlChecks() is FHIR's; the engine lacks it",
        "'<=' not supported": "FHIRPath 2.0.0 section 6.2: quantities compare; the engine raises (rng-2)",
    },
    "fhirpath.js": {
        'asynchronous function "resolve"': "Additional: the engine asks a server, we ask the file",
        "Invalid escape": "eld-16: JavaScript's regular expressions forbid \\@ in Unicode mode",
        "getDecimal is not a function": "the engine cannot start from a bare number",
        "ele-1": "R4 narrative.html: xhtml is a primitive, so hasValue() is true; the engine says false",
    },
}


@cache
def asked() -> tuple[Pair, ...]:
    """Return every pair of the examples, and the variants of some."""
    found: list[Pair] = []
    sampled: Counter[str] = Counter()
    for _, resource in examples():
        for pair in pairs(resource):
            found.append(pair)
            if sampled[pair.expression] < SAMPLES:
                sampled[pair.expression] += 1
                found.extend(variants(pair))
    return tuple(found)


def unexplained(engine: str, answers: list[Any]) -> tuple[list[str], set[str]]:
    """Return where an engine's answers differ from ours without a reason, and the reasons used."""
    faults, used = [], set()
    for pair, answer in zip(asked(), answers, strict=True):
        ours = pair.ask()
        theirs = None if isinstance(answer, str) else False not in answer
        if ours is theirs or override_of(pair.expression, pair.context) is not None:
            continue
        why = [
            key for key in EXPLAINED[engine] if key == pair.key or (isinstance(answer, str) and key in answer)
        ]
        used.update(why[:1])
        if not why:
            faults.append(f"{pair.key} at {pair.place}: we say {ours}, {engine} {answer}")
    return faults, used


def judged(engine: str, answers: list[Any]) -> None:
    faults, used = unexplained(engine, answers)
    assert faults == []
    assert used == set(EXPLAINED[engine]), "a reason is no longer needed"


def test_the_examples_give_enough_to_compare() -> None:
    """Both answers are well represented."""
    answers = Counter(pair.ask() for pair in asked())
    assert answers[True] > 8_000
    assert answers[False] > 200
    assert answers[None] == 0


def test_fhirpathpy_agrees() -> None:
    """fhirpathpy, an independent engine in Python, agrees but for the explained."""
    fhirpathpy = pytest.importorskip(
        "fhirpathpy", reason="fhirpathpy is not installed; it comes with the dev extra"
    )
    from fhirpathpy.engine.nodes import ResourceNode
    from fhirpathpy.models import models

    compiled: dict[str, Any] = {}
    answers: list[Any] = []
    for pair in asked():
        if pair.expression not in compiled:
            compiled[pair.expression] = fhirpathpy.compile(pair.expression, models["r4"])
        environment = {
            "resource": pair.file.resource,
            "rootResource": pair.file.root_resource,
            "context": pair.node,
        }
        try:
            node = ResourceNode.create_node(pair.node, pair.context)
            answers.append(compiled[pair.expression](node, environment))
        except Exception as fault:  # noqa: BLE001 - whatever an engine raises is its answer
            answers.append(f"{type(fault).__name__}: {fault}")
    judged("fhirpathpy", answers)


@pytest.mark.node
def test_the_reference_engine_in_javascript_agrees() -> None:
    """fhirpath.js, with its own model of R4, agrees but for the explained."""
    if shutil.which("node") is None or shutil.which("npm") is None:
        pytest.skip("Node.js is not installed")
    if not (ORACLES / "node_modules" / "fhirpath").is_dir():
        made = subprocess.run(
            ["npm", "install", "--silent", "--no-audit", "--no-package-lock"],
            cwd=ORACLES,
            check=False,
            capture_output=True,
        )
        if made.returncode:
            pytest.skip("the npm registry cannot be reached for fhirpath")
    places: dict[int, int] = {}
    resources: list[Any] = []

    def place(resource: Any) -> int:
        if id(resource) not in places:
            places[id(resource)] = len(resources)
            resources.append(resource)
        return places[id(resource)]

    cases = [
        {
            "resource": place(pair.file.resource),
            "root": place(pair.file.root_resource),
            "base": pair.context,
            "node": place(pair.node),
            "expression": pair.expression,
        }
        for pair in asked()
    ]
    text = json.dumps({"resources": resources, "cases": cases}, default=_number)
    done = subprocess.run(
        ["node", "evaluate.mjs"], cwd=ORACLES, input=text, text=True, capture_output=True, check=True
    )
    answers = [answer["error"] if isinstance(answer, dict) else answer for answer in json.loads(done.stdout)]
    judged("fhirpath.js", answers)


def _number(value: Decimal) -> float:
    return float(value)
