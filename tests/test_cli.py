"""The command line as its users meet it: in a process of its own, with good and with bad input."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from fhircare.cli import VERBS

ROOT = Path(__file__).parent.parent
ANNA = ROOT / "examples" / "records" / "anna-first-locking.yaml"


def run(*words, stdin=b"", cwd=None):
    done = subprocess.run(
        [sys.executable, "-m", "fhircare", *map(str, words)],
        input=stdin,
        capture_output=True,
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=False,
    )
    assert b"Traceback" not in done.stderr, done.stderr
    return done


@pytest.fixture(scope="module")
def bundle(tmp_path_factory):
    path = tmp_path_factory.mktemp("anna") / "bundle.json"
    assert run("plan", ANNA, "-o", path).returncode == 0
    return path


def test_every_verb_has_help():
    """Each verb says what it does, how it is used, and that a clinician decides."""
    for verb in VERBS:
        done = run(verb, "--help")

        assert done.returncode == 0
        assert b"a licensed clinician decides" in done.stdout
        assert len(done.stdout.splitlines()) > 8

    assert all(verb.encode() in run("--help").stdout for verb in VERBS)


@pytest.mark.parametrize("verb", ["plan", "bulk"])
def test_every_version_of_us_core_that_is_written_is_offered(verb):
    """The parsers list the versions themselves, so that no verb reads the bundle's room only to start."""
    from fhircare.bundle.us_core import CHOICES, DEFAULT

    told = " ".join(run(verb, "--help").stdout.decode().split())

    assert f"--us-core {{{','.join(CHOICES)}}}" in told
    assert f"(usual: {DEFAULT})" in told


def test_the_whole_way(bundle, tmp_path):
    """A record becomes a bundle that conforms, pages in three forms, and a calendar."""
    assert run("check", bundle).returncode == 0
    for name in ("handout.html", "handout.txt", "handout.pdf"):
        assert run("render", bundle, "-o", tmp_path / name).returncode == 0
        assert (tmp_path / name).stat().st_size > 1000
    assert run("calendar", bundle, "-o", tmp_path / "plan.ics").returncode == 0
    assert (tmp_path / "plan.ics").read_bytes().startswith(b"BEGIN:VCALENDAR")


def test_the_demo_goes_the_whole_way_for_every_reader(bundle, tmp_path):
    """The bundle is the one that plan writes; beside it the patient's pages, the letter and the sheet."""
    (tmp_path / "records").mkdir()
    (tmp_path / "records" / ANNA.name).write_bytes(ANNA.read_bytes())

    assert run("demo", "--records", tmp_path / "records", "-o", tmp_path / "out").returncode == 0
    made = tmp_path / "out" / ANNA.stem
    assert (made / "bundle.json").read_bytes() == bundle.read_bytes()
    assert "Lindqvist" in (made / "handout.txt").read_text(encoding="utf-8")
    for name, heading in (
        ("letter", "Letter to the physician"),
        ("sheet", "Sheet for the physical therapist"),
    ):
        assert heading in (made / f"{name}.html").read_text(encoding="utf-8")
        assert (made / f"{name}.pdf").read_bytes().startswith(b"%PDF-")


def test_the_same_record_gives_the_same_bytes(bundle):
    """Planning twice writes the same bundle, byte for byte."""
    assert run("plan", ANNA, "-o", "-").stdout == bundle.read_bytes()


def test_a_plan_is_explained_and_drawn(tmp_path):
    """--explain prints a reason for every day, --chart draws the schedule."""
    done = run("plan", ANNA, "--explain", "--chart", tmp_path / "ramp.svg")

    assert done.returncode == 0
    assert b"[first-day]" in done.stdout
    assert b"<svg" in (tmp_path / "ramp.svg").read_bytes()


def test_what_a_clinics_records_share_is_written_once(tmp_path):
    """`plan --common` gives the bundle of the whole record; a fault in what is shared bears no line."""
    whole = (ROOT / "docs" / "smallest-record.yaml").read_text(encoding="utf-8")
    start, end = whole.index("clinic:"), whole.index("patient:\n")
    own, shared = tmp_path / "own.yaml", tmp_path / "clinic.yaml"
    own.write_text(whole[:start] + whole[end:], encoding="utf-8")
    shared.write_text(whole[start:end], encoding="utf-8")

    once = run("plan", own, "--common", shared, "-o", "-")
    assert once.stdout == run("plan", ROOT / "docs" / "smallest-record.yaml", "-o", "-").stdout != b""

    shared.write_text(whole[start:end].replace('"09:00"', "9"), encoding="utf-8")
    refused = run("plan", own, "--common", shared, "--explain")
    assert refused.returncode == 2
    assert b"clinic.opening_hours[0].opens: is not a clock time" in refused.stderr


def test_a_pipe_is_a_file(bundle):
    """Standard input and output take the place of files."""
    done = run("check", "-", "--format", "json", stdin=bundle.read_bytes())

    assert done.returncode == 0
    assert json.loads(done.stdout)["resourceType"] == "OperationOutcome"
    assert run("plan", "-", "-o", "-", stdin=ANNA.read_bytes()).stdout == bundle.read_bytes()


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("truncated.yaml", b"number: [1, 2\nclinic:", "is not YAML that can be read"),
        ("tag.yaml", b"number: !!python/object/apply:os.system ['true']\n", "carries a YAML tag"),
        ("large.yaml", b"#" * 50_000_000, "is larger than 1 MB"),
        ("latin.yaml", "number: J\xf6rg\n".encode("latin-1"), "is not UTF-8 text"),
        ("unknown.yaml", b"numbr: 1\n", "did you mean number?"),
        ("empty.yaml", b"", "is empty"),
        ("wound.yaml", ANNA.read_bytes().replace(b"skin: [intact]", b"skin: [open-wound]"), "open wound"),
    ],
)
def test_a_record_that_cannot_be_used_is_refused(tmp_path, name, content, says):
    """One clear line names the file and the mend, nothing is written, the exit code is 2."""
    path, out = tmp_path / name, tmp_path / "out" / "bundle.json"
    path.write_bytes(content)
    out.parent.mkdir()

    done = run("plan", path, "-o", out)

    assert done.returncode == 2
    assert says in done.stderr.decode()
    assert str(path) in done.stderr.decode()
    assert list(out.parent.iterdir()) == []


@pytest.mark.parametrize("verb", ["plan", "render", "calendar"])
def test_a_folder_and_a_missing_file_are_said(tmp_path, verb):
    """A folder or a missing file in the place of a file is said in one line."""
    for path in (tmp_path, tmp_path / "missing"):
        done = run(verb, path, "-o", tmp_path / "out.txt")

        assert done.returncode == 2
        assert len(done.stderr.splitlines()) == 1
        assert str(path).encode() in done.stderr


def test_an_output_that_cannot_be_written_is_said(tmp_path, bundle):
    """A missing folder or a folder as output: exit 2, one line, nothing half-written."""
    for out in (tmp_path / "missing" / "x.html", tmp_path / "x.html"):
        if out.parent == tmp_path:
            out.mkdir()
        done = run("render", bundle, "-o", out)

        assert done.returncode == 2
        assert str(out).encode() in done.stderr


@pytest.mark.parametrize(
    "content", [b"{", b"[]", b'{"resourceType": "Patient"}', b"\xff\xfe", b"", b'"x"', b"{}"]
)
def test_what_is_no_plan_cannot_be_rendered(tmp_path, content):
    """A file that holds no plan is refused by name, whatever it is."""
    path = tmp_path / "bundle.json"
    path.write_bytes(content)

    done = run("render", path, "-o", tmp_path / "x.html")

    assert done.returncode == 2
    assert b"bundle.json" in done.stderr
    assert not (tmp_path / "x.html").exists()


def test_check_goes_on_past_what_is_broken(tmp_path, bundle):
    """A broken file is a finding, a missing one an error; the others are checked all the same."""
    broken = tmp_path / "broken.json"
    broken.write_text('{"resourceType": "Patient",')

    done = run("check", broken, bundle, tmp_path / "missing.json")

    assert done.returncode == 2
    assert b"2 resources checked" in done.stdout
    assert b"missing.json: does not exist" in done.stderr
    assert run("check", broken).returncode == 1


def test_check_reads_folders_and_lines(tmp_path):
    """A folder stands for its .json and .ndjson files; NDJSON is one resource a line."""
    (tmp_path / "a.json").write_text('{"resourceType": "Patient", "active": true}')
    (tmp_path / "b.ndjson").write_text('{"resourceType": "Patient", "active": true}\n' * 3)

    done = run("check", tmp_path, "--format", "json", "--level", "error")

    assert done.returncode == 0
    assert [json.loads(line)["resourceType"] for line in done.stdout.splitlines()] == ["OperationOutcome"] * 4


def test_a_misspelt_verb_is_answered_with_the_nearest():
    """The usage error names the verb that was meant, with exit code 2."""
    done = run("chek", "x")

    assert done.returncode == 2
    assert b"did you mean check?" in done.stderr


def test_goals_go_out_and_come_back(bundle, tmp_path):
    """The goals given to a therapist come back unchanged, and nothing of the plan changes."""
    goals = tmp_path / "goals.ndjson"
    assert run("goals", "give", bundle, "-o", goals).returncode == 0

    done = run("goals", "take", goals, "--into", bundle, "-o", tmp_path / "merged.json")

    assert done.returncode == 0, done.stderr
    assert json.loads((tmp_path / "merged.json").read_bytes()) == json.loads(bundle.read_bytes())


def test_a_queued_plan_waits_in_the_outbox(bundle, tmp_path):
    """A plan for a server that is not there is kept, listed, and not lost."""
    outbox = tmp_path / "outbox.sqlite3"
    there = ("--to", "http://127.0.0.1:9/fhir", "--outbox", outbox, "--no-pdf")

    assert run("send", bundle, "--queue", *there).returncode == 0
    assert run("send", bundle, *there).returncode == 1

    listed = run("outbox", "--outbox", outbox, "--format", "json").stdout.splitlines()
    assert [json.loads(line)["state"] for line in listed] == ["waiting"]


def test_a_letter_files_itself(bundle, tmp_path):
    """The physician's page goes over as a FHIR document, or as a DocumentReference that needs no bundle."""
    for kind, resource in (("document", "Bundle"), ("reference", "DocumentReference")):
        path = tmp_path / f"{kind}.json"
        assert run("render", bundle, "-o", path, "--for", "physician", "--as", kind).returncode == 0
        assert json.loads(path.read_bytes())["resourceType"] == resource
        checked = run("check", path, "--level", "information")
        assert checked.returncode == 0
        assert b"nothing found" in checked.stdout
    assert b"urn:uuid" not in (tmp_path / "reference.json").read_bytes()
