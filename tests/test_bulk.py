"""``fhircare bulk`` as its users meet it: folders, tables, exports; broken lines, changed sources, Ctrl-C."""

from __future__ import annotations

import gzip
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from fhircare.bulk import CheckJob, PlanJob
from fhircare.check import check
from fhircare.cli import bulk as verb
from fhircare.cli import main
from fhircare.delivery import read_fields
from tests.builders import record_data
from tests.test_bulk_table import flat, table

ROOT = Path(__file__).parent.parent
RECORDS = ROOT / "examples" / "records"
BUNDLES = ROOT / "examples" / "bundles"
PATIENT = b'{"resourceType": "Patient", "gender": "female"}'
BROKEN_PATIENT = b'{"resourceType": "Patient", "gender": "Zaphod"}'


def bulk(*words, code=0):
    assert main(["bulk", *map(str, words)]) == code


def report(folder):
    return [json.loads(line) for line in (folder / "report.ndjson").read_text().splitlines()]


def this_run(folder):
    return json.loads((folder / "summary.json").read_text())["this_run"]


def test_a_folder_of_records_gives_what_plan_gives(tmp_path):
    """Each bundle is the one that ``fhircare plan`` writes, byte for byte; a second run does nothing."""
    bulk("plan", RECORDS, "-o", tmp_path / "out")

    for path in RECORDS.glob("*.yaml"):
        main(["plan", str(path), "-o", str(tmp_path / "one.json")])
        made = tmp_path / "out" / "bundles" / f"{path.stem}.json"
        assert made.read_bytes() == (tmp_path / "one.json").read_bytes()
    bulk("plan", RECORDS, "-o", tmp_path / "out")
    assert this_run(tmp_path / "out")["done"] == 0
    assert this_run(tmp_path / "out")["done_before"] == 4


def test_a_table_with_a_common_part(tmp_path, capsys):
    """Rows over a common clinic become bundles; a bad row is named by file, row, column and mend."""
    data = record_data(
        professionals=read_fields((RECORDS / "anna-first-locking.yaml").read_text())[0]["professionals"]
    )
    common = {name: data.pop(name) for name in ("clinic", "professionals")}
    (tmp_path / "clinic.json").write_text(json.dumps(common))
    rows = [flat({**data, "number": f"HC-{n}"}) for n in range(3)]
    rows[1]["limb.side"] = "rihgt"
    (tmp_path / "clinic.csv").write_bytes(table(*rows))

    bulk(
        "plan", tmp_path / "clinic.csv", "--common", tmp_path / "clinic.json", "-o", tmp_path / "out", code=1
    )

    said = capsys.readouterr()
    assert "clinic.csv:3: limb.side: is not one of the values allowed — one of 'left' or 'right'" in said.err
    assert "rihgt" not in said.err + said.out
    assert [(line["line"], line["state"], line.get("identifier")) for line in report(tmp_path / "out")] == [
        (2, "done", "HC-0"),
        (3, "failed", None),
        (4, "done", "HC-2"),
    ]
    for line in report(tmp_path / "out"):
        if "output" in line:
            assert check((tmp_path / "out" / line["output"]).read_bytes()).ok


@pytest.mark.parametrize("form", ["text", "json", "sarif"])
def test_an_export_is_checked_as_check_checks_it(tmp_path, form, capsys):
    """Findings of every line are those of ``fhircare check``, in the order of the lines, packed or not."""
    export = tmp_path / "export"
    export.mkdir()
    lines = [PATIENT, BROKEN_PATIENT, b"", b"{", PATIENT, b"[]", b"\xff"] * 30
    (export / "Patient.ndjson").write_bytes(b"\n".join(lines))
    (export / "Practitioner.ndjson.gz").write_bytes(gzip.compress(b"\n".join(lines)))

    bulk("check", export, "-o", tmp_path / "out", "--format", form, code=1)
    capsys.readouterr()
    main(["check", str(export / "Patient.ndjson"), "--format", form])

    alone = capsys.readouterr().out.replace(f"{export}/", "")
    together = (tmp_path / "out" / verb.FINDINGS[form]).read_text()
    if form == "sarif":
        found = json.loads(together)["runs"][0]["results"]
        expected = json.loads(alone)["runs"][0]["results"]
        assert found[: len(found) // 2] == expected
    elif form == "json":
        found = [json.loads(line) for line in together.splitlines()]
        expected = [json.loads(line) for line in alone.splitlines() if "no finding" not in line]
        assert [one["outcome"] for one in found] == expected * 2
        assert [one["line"] for one in found[:3]] == [1, 2, 4]
    else:
        assert together.startswith(alone.rpartition("\n\n")[0])
    states = [line["state"] for line in report(tmp_path / "out")]
    assert (states.count("done"), states.count("found")) == (120, 240)


def test_pages_of_bundles(tmp_path):
    """Pages are those of ``fhircare render``; lines that are no bundle fail, the rest are rendered."""
    one = json.dumps(json.loads((BUNDLES / "anna-first-locking.json").read_text()))
    (tmp_path / "plans.ndjson").write_text(f"{one}\n{PATIENT.decode()}\n")

    words = ("--for", "physician", "--format", "txt", "--language", "en")
    bulk("render", tmp_path / "plans.ndjson", "-o", tmp_path / "out", *words, code=1)
    main(
        [
            "render",
            str(BUNDLES / "anna-first-locking.json"),
            "-o",
            str(tmp_path / "one.txt"),
            "--for",
            "physician",
        ]
    )

    page = tmp_path / "out" / "pages" / "plans.ndjson" / "0000" / "0000001.txt"
    assert page.read_bytes() == (tmp_path / "one.txt").read_bytes()
    assert [line["state"] for line in report(tmp_path / "out")] == ["done", "failed"]


def test_the_other_release_all_the_way(tmp_path):
    """In R5 too the bundle is that of ``plan``, it is checked as R5, and the page is that of ``render``."""
    record = RECORDS / "ben-replacement-socket.yaml"
    bulk("plan", record, "-o", tmp_path / "out", "--fhir", "R5", "--us-core", "none")
    main(["plan", str(record), "-o", str(tmp_path / "one.json"), "--fhir", "R5", "--us-core", "none"])
    made = tmp_path / "out" / "bundles" / "ben-replacement-socket.json"
    assert made.read_bytes() == (tmp_path / "one.json").read_bytes()
    bulk("check", made, "-o", tmp_path / "checked")
    bulk("render", made, "-o", tmp_path / "pages", "--format", "html")
    main(["render", str(made), "-o", str(tmp_path / "one.html")])
    page = tmp_path / "pages" / "pages" / "ben-replacement-socket.html"
    assert page.read_bytes() == (tmp_path / "one.html").read_bytes()


def test_profiles_and_packages_are_asked(tmp_path, capsys):
    """A profile asked for is held against every resource; a package that is none ends the run at once."""
    (tmp_path / "x.ndjson").write_bytes(PATIENT)
    profile = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-patient"
    bulk("check", tmp_path / "x.ndjson", "-o", tmp_path / "out", "--profile", profile, code=1)
    assert report(tmp_path / "out")[0]["errors"] >= 2  # it asks for an identifier and a name

    bulk("check", tmp_path / "x.ndjson", "-o", tmp_path / "new", "--package", tmp_path / "none", code=2)
    assert "none" in capsys.readouterr().err


def test_what_changes_is_done_anew_and_what_is_gone_is_taken_away(tmp_path):
    """By content, not by time; an output whose source now fails or is gone would be a wrong plan."""
    records, out = tmp_path / "records", tmp_path / "out"
    records.mkdir()
    anna = (RECORDS / "anna-first-locking.yaml").read_text()
    for name in "abcd":
        (records / f"{name}.yaml").write_text(anna.replace("HC-2026-0311", name))
    bulk("plan", records, "-o", out)
    before = {path.name: path.stat().st_ino for path in (out / "bundles").iterdir()}

    os.utime(records / "a.yaml")
    (records / "b.yaml").write_text(anna)
    (records / "c.yaml").write_text("number: [")
    (records / "d.yaml").unlink()
    (records / "e.yaml").write_text(anna.replace("HC-2026-0311", "e"))
    bulk("plan", records, "-o", out, code=1)

    after = {path.name: path.stat().st_ino for path in (out / "bundles").iterdir()}
    assert set(after) == {"a.json", "b.json", "e.json"}
    assert after["a.json"] == before["a.json"]
    assert after["b.json"] != before["b.json"]
    assert [(line["source"], line["state"]) for line in report(out)] == [
        ("a.yaml", "done"), ("b.yaml", "done"), ("c.yaml", "failed"), ("e.yaml", "done"),
    ]  # fmt: skip
    assert this_run(out)["done"] == 3
    assert this_run(out)["outputs_removed"] == 1
    (out / "bundles" / "a.json").unlink()
    bulk("plan", records, "-o", out, code=1)
    assert this_run(out)["done"] == 1


def test_one_folder_holds_one_jobs_results(tmp_path, capsys):
    """Other options in the same folder are refused, until all of it is to be done again."""
    (tmp_path / "x.ndjson").write_bytes(PATIENT)
    bulk("check", tmp_path / "x.ndjson", "-o", tmp_path / "out")

    bulk("check", tmp_path / "x.ndjson", "-o", tmp_path / "out", "--level", "error", code=2)
    assert "--anew" in capsys.readouterr().err
    bulk("check", tmp_path / "x.ndjson", "-o", tmp_path / "out", "--level", "error", "--anew")
    assert this_run(tmp_path / "out")["done"] == 1


def test_changed_templates_are_another_job(tmp_path, capsys):
    """Pages lean on the clinic's templates: when these change, the folder's pages are not gone on with."""
    own, bundle = tmp_path / "own", BUNDLES / "ben-replacement-socket.json"
    own.mkdir()
    (own / "notes.txt").write_text("one")
    words = ("render", bundle, "-o", tmp_path / "out", "--format", "txt", "--templates", own)
    bulk(*words)
    bulk(*words)
    assert this_run(tmp_path / "out")["done_before"] == 1
    (own / "notes.txt").write_text("two")
    bulk(*words, code=2)
    assert "--anew" in capsys.readouterr().err


def test_packed_bundles_are_bundles(tmp_path):
    """--packed writes the same bytes packed, always the same; check and render read them."""
    bulk("plan", RECORDS / "anna-first-locking.yaml", "-o", tmp_path / "out", "--packed")
    main(["plan", str(RECORDS / "anna-first-locking.yaml"), "-o", str(tmp_path / "one.json")])

    packed = tmp_path / "out" / "bundles" / "anna-first-locking.json.gz"
    assert gzip.decompress(packed.read_bytes()) == (tmp_path / "one.json").read_bytes()
    bulk("check", tmp_path / "out" / "bundles", "-o", tmp_path / "checked")
    assert main(["check", str(packed)]) == 0


def test_what_cannot_be_read_is_one_failed_item(tmp_path, capsys):
    """A broken gzip, a file not UTF-8, two names for one output, a head that is no head: the rest is done."""
    records = tmp_path / "records"
    records.mkdir()
    data = json.dumps(
        json.loads(json.dumps(read_fields((RECORDS / "anna-first-locking.yaml").read_text())[0], default=str))
    )
    (records / "a.json").write_text(data)
    (records / "a.yaml").write_text(data)
    (records / "b.yaml").write_bytes(b"\xff\xfe")
    (records / "c.ndjson.gz").write_bytes(gzip.compress(f"{data}\n{data}\n".encode() * 50)[:-400])
    (records / "d.ndjson.gz").write_bytes(b"no gzip at all")
    (records / "e.csv").write_text("numbr,limb.side\n1,left\n")
    (records / "f.yaml").write_text("x" * 1_100_000)
    (records / "notes.txt").write_text("not looked at")

    bulk("plan", records, "-o", tmp_path / "out", code=1)

    lines = report(tmp_path / "out")
    states = {(line["source"], line.get("line", 0)): line["state"] for line in lines}
    assert states["a.json", 0] == "done"
    assert {"a.yaml", "b.yaml", "d.ndjson.gz", "e.csv", "f.yaml"} <= {
        source for (source, _), state in states.items() if state == "failed"
    }
    assert [state for (source, _), state in states.items() if source == "c.ndjson.gz"][-1] == "failed"
    assert all(fault["mend"] for line in lines for fault in line.get("faults", ()))
    assert "did you mean number?" in capsys.readouterr().err


def test_the_report_holds_no_patient_data(tmp_path):
    """Names, dates, addresses, phones of a record, and broken values, stand in nothing but the bundles."""
    data = read_fields((RECORDS / "anna-first-locking.yaml").read_text())[0]
    bad = {**json.loads(json.dumps(data, default=str)), "limb": {"side": "Lindqvist-left"}}
    (tmp_path / "x.ndjson").write_text(f"{json.dumps(data, default=str)}\n{json.dumps(bad)}\n")

    bulk("plan", tmp_path / "x.ndjson", "-o", tmp_path / "out", code=1)
    bulk("check", tmp_path / "out" / "bundles", "-o", tmp_path / "checked")

    told = b"".join(
        path.read_bytes()
        for folder in ("out", "checked")
        for path in (tmp_path / folder).iterdir()
        if path.is_file()
    ).decode("utf-8", "replace")
    for private in ("Lindqvist", "Anna", "1968-03-09", "70412", "555-0181", "Okafor", "ORD-88213"):
        assert private not in told


class Killer(PlanJob):
    """A job whose process is killed by one of the items, as when memory runs out."""

    def __call__(self, item):
        if b"deadly" in item.data:
            os.kill(os.getpid(), signal.SIGKILL)
        return CheckJob()(item)


@pytest.mark.skipif(os.name != "posix", reason="kills processes by signal")
def test_an_item_that_kills_its_worker_is_marked_and_tried_again_next_time(tmp_path, monkeypatch, capsys):
    """A crash is that item's; the rest goes on, and the next run tries it once more."""
    lines = [PATIENT] * 8
    lines[3] = b'{"resourceType": "Patient", "id": "deadly"}'
    (tmp_path / "x.ndjson").write_bytes(b"\n".join(lines))
    monkeypatch.setattr(verb, "_job", lambda _args: (Killer(), verb.Kinds((".json",), (), 1000)))

    bulk("plan", tmp_path / "x.ndjson", "-o", tmp_path / "out", code=1)

    assert [(i["line"], i["state"]) for i in report(tmp_path / "out") if i["state"] != "done"] == [
        (4, "crashed")
    ]
    assert "x.ndjson:4: ended the process" in capsys.readouterr().err
    monkeypatch.setattr(Killer, "__call__", lambda _self, item: CheckJob()(item))
    assert this_run(tmp_path / "out")["done"] == 8


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_ctrl_c_is_clean(tmp_path):
    """Ctrl-C to the whole group, as a terminal sends it: what is under way is finished, and told."""
    records = [json.dumps(record_data(number=str(n))) for n in range(200)]
    (tmp_path / "x.ndjson").write_text("\n".join(records))
    out = tmp_path / "out"
    command = [sys.executable, "-m", "fhircare", "bulk", "plan", str(tmp_path / "x.ndjson"), "-o", str(out)]
    run = subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True
    )
    until = time.monotonic() + 60
    while not list(out.glob("bundles/**/*.json")) and time.monotonic() < until:
        time.sleep(0.02)
    os.killpg(run.pid, signal.SIGINT)
    said, errors = run.communicate(timeout=60)

    assert run.returncode == 130
    assert b"the same command goes on from here" in said
    assert b"Traceback" not in errors
    done = len(report(out))
    assert 0 < done < 200
    assert len(list(out.glob("bundles/**/*.json"))) == done
    assert not list(out.rglob(".*.????????"))


def test_usage_is_told(tmp_path, capsys):
    """A source without anything, or that tells nothing by its ending, is an input error of code 2."""
    (tmp_path / "empty").mkdir()
    (tmp_path / "x.txt").write_text("x")
    bulk("plan", tmp_path / "empty", "-o", tmp_path / "out", code=2)
    bulk("plan", tmp_path / "x.txt", "-o", tmp_path / "out", code=2)
    bulk("plan", tmp_path / "none.csv", "-o", tmp_path / "out", code=2)

    assert not (tmp_path / "out").exists()
    said = capsys.readouterr().err
    assert "is a folder without any" in said
    assert "does not tell by its ending" in said
    assert "does not exist" in said


def test_columns_are_listed(tmp_path, capsys):
    """The list says what each column may hold; the file is a top line that is taken."""
    bulk("columns")
    assert "limb.side\n    Which leg.\n    always: left, right\n" in capsys.readouterr().out
    bulk("columns", "-o", tmp_path / "clinic.csv")
    bulk("plan", tmp_path / "clinic.csv", "-o", tmp_path / "out")
    assert report(tmp_path / "out") == []
