"""Pages of other systems' plans beside the usual: R5, plain language, what is refused, golden pages."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from fhircare.bundle import Reading, read
from fhircare.cli import main
from fhircare.cli.reading import reading
from fhircare.render import measure, render
from fhircare.render.measure import GRADE_LIMIT, INFLESZ_LIMIT

if TYPE_CHECKING:
    from tests.golden import Golden

FOLDER = Path(__file__).parent / "data" / "foreign"


def _reading(name: str) -> Reading:
    return read(json.loads((FOLDER / f"{name}.json").read_text("utf-8"), parse_float=Decimal))


@pytest.mark.parametrize("form", ["document", "reference"])
def test_no_fhir_is_written_in_the_name_of_another_system(
    form: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """--as document and --as reference are for our own plans; for another's they are refused in words."""
    made = tmp_path / "page.json"
    with pytest.raises(SystemExit) as stopped:
        main(["render", str(FOLDER / "inline-details.json"), "-o", str(made), "--as", form])

    assert stopped.value.code == 2
    assert "--as is for plans of ours" in capsys.readouterr().err
    assert not made.exists()


def test_a_plan_in_r5_is_told_as_one_in_r4_is(tmp_path: Path) -> None:
    """R5's planned activity, instruction list, custodian and contacts; what R4 has no place for is named.

    Places are told as the file has them: the list of what was not read speaks of R5's elements.
    """
    page = tmp_path / "page.txt"
    assert main(["render", str(FOLDER / "r5" / "release-5.json"), "-o", str(page), "--for", "clinic"]) == 0
    text = " ".join(page.read_text("utf-8").split())

    for said in (
        "Harbor Physiotherapy: +1 555 555 0171",
        "Stand at the sink; State: in use; How: Hold on with both hands.; When: 2 times a day, for 5 minutes",
        "Walk to the shop; State: being worked on; Whose wish: Eva Lind",
        "Care plan, in part. Not shown: addresses, concept",
        "Bundle.entry[5].resource.addresses[0].concept",
        "Use of a device: nothing of it is shown",
    ):
        assert said in text
    assert "Weak after illness" not in text
    assert "Walking frame" not in text
    shown = reading(str(FOLDER / "r5" / "release-5.json")).guest
    assert shown is not None
    told = {fact.element: fact.told.path for fact in shown.parts["do"][0].facts}
    assert told["patientInstruction"].endswith("resource.patientInstruction[0].instructionMarkdown")
    assert shown.about is not None
    assert shown.about.facts[-1].told.path == "Bundle.entry[1].resource.name"


@pytest.mark.parametrize("name", ["narrative-only", "inline-details", "summary-document"])
def test_the_page_is_as_plain_as_our_own(name: str) -> None:
    """The limits of our own pages: sixth grade in English, "fairly easy" in Spanish."""
    english = measure(str(render(_reading(name), "html", language="en")), "en")
    spanish = measure(str(render(_reading(name), "html", language="es")), "es")

    assert english.grade is not None
    assert english.grade <= GRADE_LIMIT, english.lines()
    assert spanish.inflesz is not None
    assert spanish.inflesz >= INFLESZ_LIMIT, spanish.lines()


@pytest.mark.parametrize("name", ["inline-details", "summary-document"])
def test_golden_pages(name: str, golden: Golden) -> None:
    """Pages a person has read and found right."""
    golden.same(f"foreign/{name}.patient.txt", str(render(_reading(name), "txt")))
    golden.same(f"foreign/{name}.clinic.txt", str(render(_reading(name), "txt", "clinic")))


def test_what_is_not_shown_is_named_in_the_readers_language() -> None:
    """Elements and kinds of resources that are known by name are said in Spanish; other names are marked."""
    page = str(render(_reading("inline-details"), "html", language="es"))
    unread = page.partition("Lo que esta página no pudo leer")[2]

    assert "No se muestra: " in unread
    for english in ("extension", "activity", "nothing of it"):
        assert english not in unread
