"""What every verb says of input that is broken, of another kind, or not there: never a fault of ours."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from fhircare.cli import main
from fhircare.errors import OutputError
from fhircare.exchange.outbox import Outbox

if TYPE_CHECKING:
    from collections.abc import Sequence

ROOT = Path(__file__).parent.parent
GOOD = ROOT / "examples" / "bundles" / "anna-first-locking.json"
RECORD = ROOT / "examples" / "records" / "anna-first-locking.yaml"

BROKEN = {
    "empty": b"",
    "junk": bytes(range(128, 256)) * 8,
    "utf-16": '{"resourceType": "Bundle"}'.encode("utf-16"),
    "half": GOOD.read_bytes()[:20_000],
    "list": b"[3]",
    "null": b"null",
    "deep": b"[" * 3000 + b"]" * 3000,
    "nan": b'{"resourceType": "Bundle", "type": "collection", "total": NaN}',
    "digits": b'{"resourceType": "Bundle", "type": "collection", "total": ' + b"9" * 6000 + b"}",
    "half-a-letter": b'{"resourceType": "Bundle", "type": "collection", "id": "\\ud83d"}',
    "no-type": b'{"a": 1}',
}
"""Files that hold nothing a verb can work on."""
SHAPES = {
    "entries": b'[1, null, {"resource": []}, {"resource": {"resourceType": "CarePlan", "activity": "x"}}]',
    "members": b'[{"resource": {"resourceType": "CarePlan", "subject": [], "goal": {}, "category": 3}}]',
    "log": b'[{"resource": {"resourceType": "CarePlan"}}, {"resource": {"resourceType": "Observation", '
    b'"code": {"coding": [3]}, "hasMember": 7, "effectiveDateTime": {}}}]',
}
"""Entries of a Bundle whose shapes are not FHIR's."""
VERBS: dict[str, Sequence[str]] = {
    "convert": ("convert", "FILE", "--fhir", "R5", "-o", "OUT.json"),
    "render": ("render", "FILE", "-o", "OUT.html"),
    "calendar": ("calendar", "FILE", "-o", "OUT.ics"),
    "send": ("send", "FILE", "--to", "http://127.0.0.1:9/fhir", "--queue", "--no-pdf", "--outbox", "OUT.db"),
    "order": ("order", "FILE", "-o", "OUT.yaml"),
    "goals give": ("goals", "give", "FILE", "-o", "OUT.json"),
    "goals into": ("goals", "take", str(GOOD), "--into", "FILE", "-o", "OUT.json"),
    "log": ("log", "FILE", "--day", "2026-11-18", "--worn", "30", "-o", "OUT.json"),
    "log from": ("log", str(GOOD), "--from", "FILE", "-o", "OUT.json"),
    "review": ("review", "FILE", "--on", "2026-11-19", "-o", "OUT.json"),
    "approve": (
        "approve",
        "FILE",
        "--by",
        "Ruth Okafor",
        "--at",
        "2026-11-24T09:00:00-06:00",
        "-o",
        "OUT.json",
    ),
    "progress": ("progress", "FILE", "-o", "OUT.html"),
    "plan": ("plan", "FILE", "-o", "OUT.json"),
    "slots": ("plan", str(RECORD), "--slots", "FILE", "-o", "OUT.json"),
}


def _said(words: Sequence[str], file: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    made = file.parent / "made"
    told = [word.replace("FILE", str(file)).replace("OUT", str(made)) for word in words]
    code = main(told)
    said = capsys.readouterr()
    return code, said.err + said.out


@pytest.mark.parametrize("verb", VERBS)
@pytest.mark.parametrize("content", BROKEN)
def test_a_broken_file_is_named_with_what_is_wrong(
    verb: str, content: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Code 2, the file's name, what is wrong and a mend; nothing is written."""
    file = tmp_path / "theirs.json"
    file.write_bytes(BROKEN[content])

    code, said = _said(VERBS[verb], file, capsys)

    assert code == 2, said
    assert "fault of fhircare" not in said
    assert re.search(r"theirs\.json: .+ — .+", said), said
    assert not list(tmp_path.glob("made.*")) or verb == "send"


@pytest.mark.parametrize("verb", VERBS)
@pytest.mark.parametrize("shape", SHAPES)
def test_entries_of_other_shapes_are_no_fault_of_ours(
    verb: str, shape: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What can be done in spite of them is done; else the file is named, and the check tells the rest."""
    file = tmp_path / "theirs.json"
    file.write_bytes(b'{"resourceType": "Bundle", "type": "collection", "entry": ' + SHAPES[shape] + b"}")

    code, said = _said(VERBS[verb], file, capsys)

    assert code in (0, 1, 2)
    assert "fault of fhircare" not in said
    assert code != 2 or "theirs.json: " in said


@pytest.mark.parametrize(
    ("verb", "name"),
    [(verb, "missing.json") for verb in VERBS] + [(verb, "folder") for verb in VERBS if verb != "send"],
)
def test_what_is_not_there_is_named(
    verb: str, name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A missing file, and a folder where a file is due (a folder of bundles may be sent)."""
    (tmp_path / "folder").mkdir()
    code, said = _said(VERBS[verb], tmp_path / name, capsys)

    assert code == 2
    assert f"{name}: " in said
    assert "does not exist" in said or "folder" in said


def test_goals_from_a_name_that_is_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Neither a file nor a destination: both are said, and no option that was not given."""
    words = ("goals", "take", "hospitl", "--into", str(GOOD), "--destinations", str(tmp_path / "none.toml"))
    (tmp_path / "none.toml").write_text("")

    code, said = _said(words, tmp_path / "x", capsys)

    assert code == 2
    assert said == "fhircare: hospitl: is neither a file nor a destination known — check the name\n"


def test_a_line_among_many_is_numbered(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In NDJSON the line in the file, not the line in its own text."""
    file = tmp_path / "orders.ndjson"
    file.write_text('{"resourceType": "Patient", "id": "p"}\n\n{"resourceType": \n')

    code, said = _said(("order", "FILE"), file, capsys)

    assert code == 2
    assert "orders.ndjson: line 3: is not JSON" in said


def test_a_table_without_a_top_line_shows_nobodys_data(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The first row is then a person's: columns are told by their number."""
    file = tmp_path / "clinic.csv"
    file.write_text("Anna Lindqvist,1955-02-03\nBen Ode,1948-11-30\n")

    code, said = _said(("bulk", "plan", "FILE", "-o", str(tmp_path / "out")), file, capsys)

    assert code == 1
    assert "is no field of a delivery record" in said
    assert "Lindqvist" not in said
    assert "1955" not in said + (tmp_path / "out" / "report.ndjson").read_text()


def test_a_byte_order_mark_is_no_fault(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Editors on some systems write one before the text."""
    file = tmp_path / "theirs.json"
    file.write_bytes(b"\xef\xbb\xbf" + GOOD.read_bytes())

    for verb in ("convert", "render", "calendar", "send", "goals give", "review", "approve"):
        code, said = _said(VERBS[verb], file, capsys)
        assert code == 0, (verb, said)


def test_an_outbox_that_is_not_there_is_not_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A misspelt name is said, and no empty outbox is left behind that says "nothing there"."""
    file = tmp_path / "outbx.sqlite3"

    code, said = _said(("outbox", "--outbox", "FILE"), file, capsys)

    assert code == 2
    assert "outbx.sqlite3: does not exist" in said
    assert not file.exists()


def test_a_full_disk_is_said(tmp_path: Path) -> None:
    """Also where the output has no name: /dev/full is a device without room (Linux)."""
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "fhircare", "schema"],
            stdout=full,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            check=False,
        )

    assert done.returncode == 2
    assert done.stderr.decode().startswith("fhircare: standard output: no space left")
    assert len(done.stderr.splitlines()) == 1


def test_an_outbox_without_room_is_said(tmp_path: Path) -> None:
    """SQLite's own word for it is no traceback, and what was put in before still stands."""
    outbox = Outbox(str(tmp_path / "outbox"))
    first = outbox.put("there", "plan", "a", b"{}", now=0.0)
    outbox._db.execute("PRAGMA max_page_count = 1")

    with pytest.raises(OutputError, match="outbox: cannot be written to"):
        outbox.put("there", "plan", "b", b" " * 100_000, now=1.0)

    assert [one.id for one in outbox.parcels()] == [first.id]
    outbox.close()


@pytest.mark.parametrize("verb", ["review", "progress", "render"])
def test_a_day_that_nobody_means_is_a_usage_error(verb: str, tmp_path: Path) -> None:
    """The calendar ends at 9999-12-31, and no plan is reckoned up to there."""
    with pytest.raises(SystemExit) as stopped:
        main([verb, str(GOOD), "--on", "9999-12-31", "-o", str(tmp_path / "x.html")])

    assert stopped.value.code == 2


def test_a_check_of_nothing_does_not_say_that_nothing_was_found(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where no file could be read there is no good news either."""
    code, said = _said(("check", "FILE"), tmp_path / "missing.json", capsys)

    assert code == 2
    assert "nothing was checked" in said
    assert "nothing found" not in said


@pytest.mark.parametrize(
    ("setting", "said"), [({"PYTHONIOENCODING": "ascii"}, "?"), ({"PYTHONIOENCODING": "cp1252"}, "í")]
)
def test_a_terminal_that_lacks_letters_shows_the_others(setting: dict[str, str], said: str) -> None:
    """Spanish on a terminal of old: no letter ends the run (a Windows console, or LANG=C)."""
    done = subprocess.run(
        [sys.executable, "-m", "fhircare", "review", str(GOOD), "--on", "2026-11-18", "--language", "es"],
        capture_output=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), **setting},
        check=False,
    )

    assert done.returncode == 0, done.stderr
    assert said in done.stdout.decode(setting["PYTHONIOENCODING"])


def test_a_pipe_gets_utf_8_whatever_the_system_speaks() -> None:
    """Outside UTF-8 mode, in a locale of one byte a letter, a report in a pipe is UTF-8 all the same."""
    code = (
        "import sys; sys.stdout.reconfigure(encoding='cp1252'); "
        "from fhircare.cli import main; sys.exit(main(sys.argv[1:]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "review", str(GOOD), "--on", "2026-11-18", "--language", "es"],
        capture_output=True,
        env={k: v for k, v in os.environ.items() if k != "PYTHONIOENCODING"} | {"PYTHONPATH": str(ROOT)},
        check=False,
    )

    assert done.returncode == 0, done.stderr
    assert "clínica" in done.stdout.decode("utf-8")
