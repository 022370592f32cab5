"""The command line takes R5 wherever it takes R4, writes back what it was given, and converts."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from fhircare.bundle import load, read
from fhircare.check import check
from fhircare.cli import main
from fhircare.releases import detect_release, hear, validate_models

EXAMPLES = Path(__file__).parent.parent / "examples"
R4 = EXAMPLES / "bundles" / "anna-first-locking.json"
R5 = EXAMPLES / "r5" / "anna-first-locking.json"
GOOD = ("--worn", "30", "--skin", "clear", "--pain", "1")


def held(path: Path) -> dict[str, Any]:
    return load(path.read_text(encoding="utf-8"))


@pytest.fixture
def bundle(tmp_path: Path) -> Path:
    path = tmp_path / "bundle.json"
    path.write_bytes(R5.read_bytes())
    return path


def test_the_example_in_r5_is_the_example_in_r5(tmp_path: Path) -> None:
    """The file people can look at is what convert makes today, and what plan --fhir R5 makes."""
    made, planned = tmp_path / "made.json", tmp_path / "planned.json"
    record = EXAMPLES / "records" / "anna-first-locking.yaml"

    assert main(["convert", str(R4), "--fhir", "R5", "-o", str(made)]) == 0
    assert main(["plan", str(record), "--fhir", "R5", "-o", str(planned)]) == 0
    assert made.read_bytes() == planned.read_bytes() == R5.read_bytes()


def test_convert_goes_back_and_says_that_nothing_was_lost(tmp_path: Path, capsys: Any) -> None:
    """R5 → R4 is the bundle it came from; the report says so on standard error."""
    made = tmp_path / "made.json"

    assert main(["convert", str(R5), "--fhir", "R4", "-o", str(made)]) == 0
    assert held(made) == held(R4)
    assert "R5 to R4" in capsys.readouterr().err


def test_the_report_counts_what_was_kept(tmp_path: Path, capsys: Any) -> None:
    """For people by element, for machines place by place."""
    out = ["-o", str(tmp_path / "made.json")]
    main(["convert", str(R4), "--fhir", "R5", *out])
    assert re.search(r"kept: Meta.profile \(\d+ times\)", capsys.readouterr().err)
    main(["convert", str(R4), "--fhir", "R5", "--format", "json", *out])
    told = json.loads(capsys.readouterr().err)

    assert (told["from"], told["to"]) == ("R4", "R5")
    assert {note["outcome"] for note in told["notes"]} == {"kept"}
    assert all(note["path"].startswith("Bundle") for note in told["notes"])


def test_what_cannot_be_carried_over_is_named_and_the_exit_code_says_so(tmp_path: Path, capsys: Any) -> None:
    """An element that is none: left as it was, exit code 1, its place told and not its value."""
    odd = tmp_path / "odd.json"
    odd.write_text('{"resourceType": "CarePlan", "status": "active", "intent": "plan", "colour": "secret"}')

    assert main(["convert", str(odd), "--fhir", "R5", "--from", "R4", "-o", str(tmp_path / "x.json")]) == 1
    err = capsys.readouterr().err
    assert "left: CarePlan.colour" in err
    assert "secret" not in err


def test_a_release_that_nothing_tells_must_be_said(tmp_path: Path, capsys: Any) -> None:
    """A bare patient may be of any release: exit code 2, and what to do."""
    bare = tmp_path / "bare.json"
    bare.write_text('{"resourceType": "Patient", "active": true}')

    assert main(["convert", str(bare), "--fhir", "R5"]) == 2
    assert "--from R4 or --from R5" in capsys.readouterr().err
    assert main(["convert", str(bare), "--fhir", "R5", "--from", "R4", "-o", str(bare)]) == 0


def test_pages_and_calendars_are_the_same_and_name_r5s_places(tmp_path: Path) -> None:
    """Every word and date alike; data-source leads to what stands in the file."""
    for source, name in ((R4, "four"), (R5, "five")):
        for form in ("html", "txt"):
            assert main(["render", str(source), "-o", str(tmp_path / f"{name}.{form}")]) == 0
        assert main(["calendar", str(source), "-o", str(tmp_path / f"{name}.ics")]) == 0
    for form in ("txt", "ics"):
        assert (tmp_path / f"four.{form}").read_bytes() == (tmp_path / f"five.{form}").read_bytes()
    four, five = ((tmp_path / f"{name}.html").read_text(encoding="utf-8") for name in ("four", "five"))
    sources = re.compile(r' data-source="([^"]*)"')
    assert sources.sub("", four) == sources.sub("", five)
    paths = {path for found in sources.findall(five) for path in found.split()}
    assert len(paths) > 100
    for path in paths:
        assert standing(held(R5), path) is not None, path


def standing(bundle: Any, path: str) -> Any:
    """What stands at a FHIRPath made of names and indexes."""
    for step in re.findall(r"[^.\[\]]+", path.removeprefix("Bundle.")):
        bundle = bundle[int(step)] if isinstance(bundle, list) else bundle[step]
    return bundle


def test_a_plan_in_r5_is_approved_logged_and_revised_in_r5(bundle: Path) -> None:
    """The file stays R5 at every step, and is the plan that the same steps in R4 lead to."""
    other = bundle.with_name("four.json")
    other.write_bytes(R4.read_bytes())
    for path in (bundle, other):
        at = ["--at", "2026-11-17T12:00:00-06:00"]
        assert main(["approve", str(path), "--by", "Ruth Okafor", *at]) == 0
        written = ["--written-at", "2026-11-18T20:00:00-06:00"]
        assert main(["log", str(path), "--day", "2026-11-18", *GOOD, *written]) == 0
        assert main(["review", str(path), "--on", "2026-11-19", "--apply"]) == 0
        assert main(["progress", str(path), "-o", str(path.with_suffix(".svg")), "--on", "2026-11-19"]) == 0

    assert detect_release(held(bundle)) == "R5"
    assert hear(held(bundle), "R5") == held(other)
    assert read(hear(held(bundle), "R5")).plan.status == "active"
    assert bundle.with_suffix(".svg").read_bytes() == other.with_suffix(".svg").read_bytes()


def test_a_page_as_fhir_is_in_the_release_of_the_file(tmp_path: Path) -> None:
    """A document and a DocumentReference made from an R5 bundle are R5, and pass its models and the check."""
    for form, kind in (("document", "Bundle"), ("reference", "DocumentReference")):
        out = tmp_path / f"{form}.json"
        assert main(["render", str(R5), "-o", str(out), "--for", "physician", "--as", form]) == 0
        assert held(out)["resourceType"] == kind
        validate_models(held(out), "R5")
        assert [
            one.message for one in check(out.read_bytes(), release="R5").issues if one.severity == "error"
        ] == []
    assert detect_release(held(tmp_path / "document.json")) == "R5"


def test_a_review_that_changes_nothing_leaves_the_file_alone(bundle: Path) -> None:
    """Without --apply no byte of an R5 file changes."""
    before = bundle.read_bytes()
    main(["review", str(bundle), "--on", "2026-11-18"])

    assert bundle.read_bytes() == before
