"""The code that the pages show, run as it stands there, one block after the other as a reader would."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.mark.parametrize("page", ["README.md", "docs/library.md"])
def test_the_code_of_a_page_runs(
    page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every Python block runs, with the names of those before it, beside an example record."""
    shutil.copy(ROOT / "examples" / "records" / "anna-first-locking.yaml", tmp_path / "record.yaml")
    monkeypatch.chdir(tmp_path)
    blocks = re.findall(r"```python\n(.*?)```", (ROOT / page).read_text("utf-8"), flags=re.DOTALL)
    names: dict[str, object] = {}
    for block in blocks:
        exec(compile(block, page, "exec"), names)  # noqa: S102 - our own page

    assert blocks
    assert capsys.readouterr().out


def test_every_verb_is_on_the_readme() -> None:
    """Whoever reads the README meets each verb once at least."""
    from fhircare.cli import VERBS

    said = (ROOT / "README.md").read_text("utf-8")

    assert [verb for verb in VERBS if f"fhircare {verb}" not in said] == ["demo"]  # `make demo` is


@pytest.mark.parametrize(
    "page", ["README.md", "DEVELOPERS.md", *sorted(p.name for p in (ROOT / "docs").glob("*.md"))]
)
def test_links_lead_somewhere(page: str) -> None:
    """A link to a file of the project names one that is there."""
    path = ROOT / page if (ROOT / page).exists() else ROOT / "docs" / page
    links = re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", path.read_text("utf-8"))

    assert [link for link in links if "://" not in link and not (path.parent / link).exists()] == []
