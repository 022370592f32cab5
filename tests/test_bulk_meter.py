"""How a long run tells how far it is: a bar on a terminal, plain lines elsewhere."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from fhircare.cli import meter
from fhircare.cli.meter import span

ROOT = Path(__file__).parent.parent
PATIENT = b'{"resourceType": "Patient", "gender": "female"}\n'


def test_lines_tell_share_count_rate_and_time_left(monkeypatch, capsys):
    """Without a terminal a plain line comes now and then, with what a person waits for."""
    clock = iter([100.0, 100.0, 105.0, 120.0, 120.0, 120.0, 120.0])
    monkeypatch.setattr(meter.time, "monotonic", lambda: next(clock))
    with meter.meter("bulk plan", 1000, wanted=False) as seen:
        seen.move(100, 10, 0)
        seen.move(250, 1200, 2)
        seen.note("beside it")

    said = capsys.readouterr().err.splitlines()
    assert said == ["bulk plan: 25 %, 1,200 done, 2 not well, 60.0 a second, about 1:00 left", "beside it"]


@pytest.mark.parametrize(
    ("seconds", "told"), [(0.4, "0:00"), (59.6, "1:00"), (3599, "59:59"), (3661, "1:01:01")]
)
def test_time_is_told_as_people_read_it(seconds, told):
    """Minutes and seconds, with hours when there are any."""
    assert span(seconds) == told


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
def test_a_terminal_gets_a_bar_and_a_pipe_gets_none(tmp_path):
    """On a terminal the bar shows count and rate beside what fails; it is gone when the run ends."""
    import pty

    (tmp_path / "x.ndjson").write_bytes(PATIENT * 300 + b"{\n")
    command = [sys.executable, "-m", "fhircare", "bulk", "check", str(tmp_path / "x.ndjson")]
    ours, theirs = pty.openpty()
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "120"}
    done = subprocess.Popen(
        [*command, "-o", str(tmp_path / "a")],
        cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, stderr=theirs,
    )  # fmt: skip
    os.close(theirs)
    shown = b""
    while True:
        try:
            more = os.read(ours, 65536)
        except OSError:  # Linux says so when the other side has closed
            break
        if not more:
            break
        shown += more
    os.close(ours)
    assert done.wait() == 1
    piped = subprocess.run([*command, "-o", str(tmp_path / "b")], cwd=ROOT, capture_output=True, check=False)

    assert re.search(rb"\d+ done, (1 not well, )?[\d.,]+ a second", shown)
    assert b"\x1b[" in shown
    assert b"\x1b" not in piped.stdout + piped.stderr
