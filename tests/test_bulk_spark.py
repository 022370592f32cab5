"""The recipe for Spark, run on Spark itself in local mode: byte for byte what ``fhircare bulk`` gives."""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from fhircare.cli import main
from tests.builders import record_data

MISSING = importlib.util.find_spec("pyspark") is None or shutil.which("java") is None
pytestmark = [
    pytest.mark.java,
    pytest.mark.skipif(
        MISSING and not os.environ.get("FHIRCARE_SPARK"),
        reason="needs pyspark and Java; `make test-spark` installs the first",
    ),
]
ROOT = Path(__file__).parent.parent


FIELDS = (b"male", b"m", b"\xff", b"other")
SHOW = """
import json, sys, pyarrow.parquet as pq
for row in pq.read_table(sys.argv[1]).to_pylist():
    row["content"] = row["content"] and row["content"].decode()
    print(json.dumps(row))
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Run the recipe and the verb over the same two files: records to plan, resources to check."""
    here = tmp_path_factory.mktemp("spark")
    good = [json.dumps(record_data(number=f"HC-{n}"), ensure_ascii=n % 2 == 0).encode() for n in range(6)]
    bad = [b"", b"{", b"\xff{}", b"  ", json.dumps(record_data({"limb.side": "both"})).encode() + b"\r"]
    (here / "plan.ndjson").write_bytes(b"\n".join([*good[:3], *bad, *good[3:]]))
    patients = [b'{"resourceType": "Patient", "gender": "%s"}' % gender for gender in FIELDS]
    (here / "check.ndjson").write_bytes(b"\n".join([*patients, b"", b"[]\r", *patients] * 20))
    environment = {
        **os.environ,
        "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'examples'}",
        "SPARK_LOCAL_IP": "127.0.0.1",
        "PYSPARK_SUBMIT_ARGS": "--master local[2] pyspark-shell",
    }
    # One Java machine for both, and in a process of its own: what it says would be heard by other tests.
    both = "; ".join(
        f"spark_bulk.main('{verb}', '{verb}.ndjson', 'rows-{verb}')" for verb in ("plan", "check")
    )
    done = subprocess.run(
        [sys.executable, "-c", f"import spark_bulk; {both}"],
        cwd=here, env=environment, capture_output=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr.decode()
    for verb in ("plan", "check"):
        main(["bulk", verb, str(here / f"{verb}.ndjson"), "-o", str(here / verb)])
    return here


def rows_of(folder, verb):
    """Return the recipe's rows by line, and its report as one text."""
    shown = subprocess.run(
        [sys.executable, "-c", SHOW, folder / f"rows-{verb}"], capture_output=True, check=True
    )
    rows = {row["line"]: row for row in map(json.loads, shown.stdout.splitlines())}
    return rows, "".join(rows[line]["report"] for line in sorted(rows))


def test_plans_on_spark_are_those_of_bulk(folder):
    """Bundles, faults and report lines are equal, broken, blank and foreign lines included."""
    rows, told = rows_of(folder, "plan")

    assert len(rows) == 9
    assert told == (folder / "plan" / "report.ndjson").read_text(encoding="utf-8")
    written = {
        path.name: path.read_text(encoding="utf-8") for path in (folder / "plan").rglob("bundles/**/*.json")
    }
    assert written == {f"{line:07d}.json": row["content"] for line, row in rows.items() if row["content"]}
    assert len(written) == 6


def test_findings_on_spark_are_those_of_bulk(folder):
    """A check's report lines are equal, line numbers and all."""
    rows, told = rows_of(folder, "check")

    assert len(rows) == 180
    assert told == (folder / "check" / "report.ndjson").read_text(encoding="utf-8")
