"""Every type of the release is written, compiled and kept, and every rule is accounted for."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from fhircare.check import check
from fhircare.check.compile import Compiler
from fhircare.check.coverage import as_lines, coverage
from fhircare.check.extras import USUAL_UNITS
from fhircare.spec import definitions

R4 = definitions("R4")
ROOT = Path(__file__).parent.parent


@pytest.mark.parametrize("name", [n for n in R4.type_names() if n not in R4.primitive_types])
def test_every_type_compiles(name: str) -> None:
    """All types, not only those we emit; a rule that cannot be compiled would raise here."""
    compile(Compiler(R4).source(name), name, "exec")


@pytest.mark.parametrize("name", sorted(R4.resource_types))
def test_every_resource_type_is_checked_down_to_unknown_elements(name: str) -> None:
    rules = {(i.expression, i.rule) for i in check({"resourceType": name, "nonsense": True}).issues}
    assert (f"{name}.nonsense", "element.unknown") in rules
    definition = R4.node(name)
    assert definition is not None
    for element in definition.elements.values():
        if element.min:
            assert (f"{name}.{element.name.removesuffix('[x]')}", "cardinality.min") in rules


def test_every_invariant_of_the_definitions_is_in_the_coverage_and_enforced() -> None:
    """236 keys in 4.0.1, counted in HL7's package; nothing is skipped silently."""
    stated = {
        constraint.key
        for name in R4.type_names()
        for node in getattr(R4.type(name), "nodes", {}).values()
        for rules in (node.constraints, *(e.constraints for e in node.elements.values()))
        for constraint in rules
    }
    covered = {rule.rule: rule for rule in coverage()}
    assert stated <= set(covered)
    assert [key for key in stated if covered[key].how.startswith("not enforced")] == []


def test_what_is_not_enforced_is_named() -> None:
    """Five value sets are named by the package and not held in it; no other rule is left out."""
    left_out = [rule for rule in coverage() if rule.how.startswith("not enforced")]
    assert {rule.rule for rule in left_out} == {"binding.extensible", "binding.required"}
    assert len(left_out) == 5
    assert list(as_lines(left_out))[-1] == "5 rules, 5 not enforced\n"


def test_every_rule_a_finding_can_have_is_in_the_coverage() -> None:
    """Taken from the text of our modules: a key that is said and not listed is a gap in the table."""
    listed = {rule.rule for rule in coverage()}
    said = set()
    for module in ("explain", "members", "walk", "extras", "run", "reading", "lexical"):
        text = (ROOT / "fhircare" / "check" / f"{module}.py").read_text(encoding="utf-8")
        said |= set(re.findall(r'"([a-z0-9]+\.[a-z-]+)"', text))
    said -= {"application.pdf"}
    assert {rule for rule in said if not rule.startswith("k.")} <= listed


def test_the_units_taken_as_known_are_units() -> None:
    """Against UCUM's own table."""
    from fhircare.check.terminology import _form_of

    is_unit = _form_of("http://unitsofmeasure.org")
    assert is_unit is not None
    assert [unit for unit in USUAL_UNITS.split() if not is_unit(unit)] == []


def test_kept_code_gives_the_same_findings(tmp_path: Path) -> None:
    """A first process writes and keeps, a second one reads; both say the same."""
    script = (
        "import sys, fhircare.check.compile as c; c._KEPT = sys.argv[1]; from fhircare.check import check; "
        "print([tuple(i) for i in check({'resourceType': 'Patient', 'nonsense': 1, 'gender': 'x'}).issues])"
    )
    environment = {"PATH": "", "PYTHONPATH": str(ROOT)}
    said = [
        subprocess.run(
            [sys.executable, "-c", script, str(tmp_path / "kept")],
            env=environment, capture_output=True, text=True, check=True,
        ).stdout
        for _ in range(2)
    ]  # fmt: skip
    assert said[0] == said[1]
    assert "element.unknown" in said[0]
    assert sorted(path.name.split("-")[1].split(".")[0] for path in (tmp_path / "kept").iterdir()) == [
        "DomainResource",
        "Patient",
        "Resource",
    ]


def test_the_start_needs_no_heavy_library(tmp_path: Path) -> None:
    """With its code kept, a check imports none of these: each would cost as much as the check itself."""
    script = (
        "import sys, fhircare.cli.check, fhircare.check.compile as c; c._KEPT = sys.argv[1]; "
        "from fhircare.check.command import Tally, run; "
        'raw = b\'{"resourceType": "Patient", "active": true}\'; '
        "''.join(run([('x', raw)], Tally(), level='error')); "
        "print([m for m in ('pydantic', 'jinja2', 'requests', 'click', 'yaml', 'dataclasses', 'tempfile', "
        "'pathlib', 'shutil', 'fractions', 'difflib') if m in sys.modules])"
    )
    command = [sys.executable, "-c", script, str(tmp_path)]
    environment = {"PATH": "", "PYTHONPATH": str(ROOT)}
    told = [
        subprocess.run(command, env=environment, capture_output=True, text=True, check=True).stdout
        for _ in range(2)
    ]
    assert told[1] == "[]\n"
