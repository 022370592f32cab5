"""A bundle file that nothing can halve: two writers, a kill at any write, a log with one bad day."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from fhircare.bundle.logbook import log_of
from fhircare.cli import main
from tests.following import APPROVED, held


@pytest.fixture
def bundle(tmp_path):
    path = tmp_path / "bundle.json"
    path.write_text(APPROVED, encoding="utf-8")
    return path


WRITER = """
import sys
from fhircare.cli import main
bundle, author, first = sys.argv[1:]
for number in range(4):
    day = f"2026-11-{17 + number}"
    code = main(["log", bundle, "--day", day, "--author", author, "--worn", "30", "--skin", "clear"])
    assert code == 0, code
"""


def test_two_writers_lose_nothing(bundle):
    """Two processes that write days down at the same time both find all of theirs in the file."""
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(bundle), author, "17"], stderr=subprocess.PIPE)
        for author in ("patient", "caregiver")
    ]
    for writer in writers:
        _, said = writer.communicate(timeout=120)
        assert writer.returncode == 0, said.decode()

    assert sorted((entry.author, entry.on.day) for entry in log_of(held(bundle))) == [
        (author, day) for author in ("caregiver", "patient") for day in (17, 18, 19, 20)
    ]


KILLER = """
import os, signal, sys, tempfile
from pathlib import Path
from fhircare import files
from fhircare.cli import main

bundle, original, fate = sys.argv[1], Path(sys.argv[2]).read_bytes(), Path(sys.argv[3])
left = 0

def point():
    global left
    left -= 1
    if left < 0:
        os.kill(os.getpid(), signal.SIGKILL)

def around(function):
    def wrapped(*args, **kwargs):
        point()
        result = function(*args, **kwargs)
        point()
        return result
    return wrapped

class Stream:
    def __init__(self, handle):
        self.handle = handle
    def __enter__(self):
        return self
    def __exit__(self, *_):
        os.close(self.handle)
    def fileno(self):
        return self.handle
    def flush(self):
        point()
    def write(self, data):
        for start in range(0, len(data), len(data) // 3):
            point()
            os.write(self.handle, data[start:start + len(data) // 3])
    def writelines(self, pieces):
        for piece in pieces:
            self.write(piece)

def patched():
    os.fdopen = lambda handle, mode: Stream(handle)
    os.fsync = around(os.fsync)
    tempfile.mkstemp = around(tempfile.mkstemp)
    Path.chmod = around(Path.chmod)
    Path.replace = around(Path.replace)

import fhircare.follow.keep, fhircare.follow.told  # noqa: what the child needs is loaded before it is born
for number in range(100):
    Path(bundle).write_bytes(original)
    child = os.fork()
    if child == 0:
        left = number
        patched()
        words = ["--day", "2026-11-17", "--worn", "30", "--written-at", "2026-11-17T20:00:00-06:00"]
        os._exit(main(["log", bundle, *words]))
    _, status = os.waitpid(child, 0)
    with fate.open("a") as out:
        found = Path(bundle).read_bytes()
        print("killed" if os.WIFSIGNALED(status) else "ended", len(found), hash(found), file=out)
    if not os.WIFSIGNALED(status):
        break
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork to kill a process at every write")
def test_a_kill_at_any_write_leaves_the_old_or_the_new_file(bundle, tmp_path):
    """Killed before and after every step of writing, the file is the old one or the new one, whole."""
    original, fate = tmp_path / "original.json", tmp_path / "fate.txt"
    original.write_text(APPROVED, encoding="utf-8")
    environment = {**os.environ, "PYTHONHASHSEED": "0"}

    subprocess.run(
        [sys.executable, "-W", "ignore", "-c", KILLER, str(bundle), str(original), str(fate)],
        env=environment, check=True, timeout=300, stderr=subprocess.DEVNULL,
    )  # fmt: skip

    lines = [line.split() for line in fate.read_text().splitlines()]
    assert lines[-1][0] == "ended"
    assert [line[0] for line in lines[:-1]] == ["killed"] * (len(lines) - 1)
    assert len(lines) > 10
    old, new = lines[0][1:], lines[-1][1:]
    assert old != new
    assert all(line[1:] in (old, new) for line in lines)
    assert log_of(held(bundle))
    assert main(["log", str(bundle), "--day", "2026-11-18", "--worn", "30"]) == 0


def test_a_log_in_a_file_is_taken_whole_or_not_at_all(bundle, tmp_path):
    """A CSV with one bad day among good ones stores nothing."""
    head = "on,author,written_at,minutes_1,skin_1\n"
    good = "2026-11-17,patient,2026-11-17T20:00:00-06:00,30,clear\n"
    bad = "2026-11-18,patient,2026-11-18T20:00:00-06:00,1600,clear\n"
    whole, broken = tmp_path / "good.csv", tmp_path / "bad.csv"
    whole.write_text(head + good)
    broken.write_text(head + good + bad)
    before = bundle.read_bytes()

    assert main(["log", str(bundle), "--from", str(broken)]) == 2
    assert bundle.read_bytes() == before
    assert main(["log", str(bundle), "--from", str(whole)]) == 0
    assert len(log_of(held(bundle))) == 1
