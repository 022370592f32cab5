"""A killed run goes on: at whatever moment, nothing is done twice, skipped or half-written."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import ClassVar

import pytest

from fhircare.bulk import Job, Outcome
from fhircare.cli import bulk as verb
from fhircare.cli import main
from fhircare.errors import Fault
from tests.builders import record_data

pytestmark = pytest.mark.skipif(os.name != "posix", reason="kills processes by signal")

ROOT = Path(__file__).parent.parent
RECORDS = 16


def tree(folder, *but):
    """Return every file below a folder with its content; the journal and the summary's times apart."""
    left_out = {"summary.json", "journal.sqlite3", "journal.sqlite3-wal", "journal.sqlite3-shm", *but}
    found = {p.relative_to(folder).as_posix(): p for p in folder.rglob("*") if p.is_file()}
    return {n: p.read_bytes() for n, p in found.items() if p.name not in left_out and p.suffix != ".lock"}


def journaled(folder):
    """Return what the journal says is done, as the next run would read it."""
    if not (folder / "journal.sqlite3").exists():
        return {}
    db = sqlite3.connect(folder / "journal.sqlite3")
    try:
        return dict(db.execute("SELECT line, output FROM item").fetchall())
    except sqlite3.OperationalError:
        return {}  # killed before its tables were made
    finally:
        db.close()


def stamp(path):
    found = path.stat()
    return found.st_ino, found.st_mtime_ns


def descendants(pid):
    """Return the processes below a process."""
    parents = {}
    for entry in Path("/proc").glob("[0-9]*/stat"):
        try:
            parents[int(entry.parent.name)] = int(entry.read_text().rpartition(")")[2].split()[1])
        except OSError:
            continue
    below = {pid}
    while True:
        more = {child for child, parent in parents.items() if parent in below} - below
        if not more:
            return below - {pid}
        below |= more


def alive(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks for what is left of killed processes in /proc")
def test_kill_9_at_several_moments(tmp_path):
    """A run of real plans over real processes, killed again and again, ends as one that was never killed.

    What the journal held at a kill is not written again (same file, same time), no worker outlives its
    parent, and no half-written file is left.
    """
    source = tmp_path / "clinic.ndjson"
    records = [json.dumps(record_data(number=f"HC-{n}", synthetic=True)) for n in range(RECORDS)]
    source.write_text("".join(f"{line}\n" for line in [*records, "{broken", ""]))
    out, clean = tmp_path / "out", tmp_path / "clean"
    command = [sys.executable, "-m", "fhircare", "bulk", "plan", str(source), "--workers", "2", "-o"]
    kept = {}
    for enough in (0, 1, 5, 9, 13):
        run = subprocess.Popen(
            [*command, str(out)], cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        while run.poll() is None and len(list(out.glob("bundles/**/*.json"))) < enough:
            time.sleep(0.01)
        workers = descendants(run.pid)
        run.kill()
        run.wait()
        until = time.monotonic() + 20
        while any(map(alive, workers)) and time.monotonic() < until:
            time.sleep(0.05)
        assert not any(map(alive, workers))
        assert all(stamp(out / name) == was for name, was in kept.items())
        kept = {name: stamp(out / name) for name in journaled(out).values() if name}
    assert len(kept) >= 9

    last = subprocess.run([*command, str(out)], cwd=ROOT, capture_output=True, check=False)
    never = subprocess.run([*command, str(clean)], cwd=ROOT, capture_output=True, check=False)

    assert last.returncode == never.returncode == 1  # the broken line
    assert all(stamp(out / name) == was for name, was in kept.items())
    assert tree(out) == tree(clean)
    assert len(tree(out)) == RECORDS + 1
    told = json.loads((out / "summary.json").read_text())
    assert told["this_run"]["done_before"] >= len(kept)
    assert told["this_run"]["done"] + told["this_run"]["done_before"] == RECORDS + 1


class Shout(Job):
    """A job that costs nothing: the text in capitals; what holds a 7 fails."""

    verb: ClassVar[str] = "plan"
    folder: ClassVar[str] = "bundles"
    ending: ClassVar[str] = ".txt"
    words: ClassVar[dict[str, str]] = {"verb": "shout"}

    def __call__(self, item):
        if b"7" in item.data:
            return Outcome("failed", faults=(Fault("", "holds a 7", "take another"),))
        return Outcome("done", content=item.data.upper())


class Serial:
    """The same as ``Spread``, in this process, so that it can be killed at any step."""

    def __init__(self, work, workers, preload=()):
        self._work, self.stopping = work, False

    def over(self, source):
        for chunk in source:
            yield chunk, self._work(chunk)


def in_child(work):
    """Run in a forked process; return how it ended: killed or not."""
    pid = os.fork()
    if pid == 0:
        try:
            work()
        finally:
            os._exit(0)
    _, status = os.waitpid(pid, 0)
    return os.WIFSIGNALED(status)


def shout(source, out, die_at=0, log=None):
    """Run the verb with the free job, and be killed before a step: an SQL statement or a change of a file."""
    steps = 0

    def step(*_):
        nonlocal steps
        steps += 1
        if steps == die_at:
            os.kill(os.getpid(), signal.SIGKILL)

    def around(function):
        def counted(*args, **words):
            step()
            made = function(*args, **words)
            step()
            return made

        return counted

    class Logged(Shout):
        def __call__(self, item):
            if log is not None:
                with log.open("a") as stream:
                    stream.write(f"{item.line}\n")
            return super().__call__(item)

    connect = sqlite3.connect

    def traced(*args, **words):
        db = connect(*args, **words)
        db.set_trace_callback(step)
        return db

    sqlite3.connect = traced
    verb.Spread = Serial
    verb._job = lambda _args: (Logged(), verb.Kinds((".json",), (), 1000))
    for name in ("write_whole", "remove", "write_pieces", "make_folder", "sweep"):
        setattr(verb, name, around(getattr(verb, name)))
    sys.stdout = open(os.devnull, "w")  # noqa: PTH123, SIM115 - the child is about to be killed
    main(["bulk", "plan", str(source), "-o", str(out)])


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork to kill a process at every step")
def test_a_kill_at_every_step(tmp_path):
    """Killed before any statement of the journal or change of a file, the next run ends as if it was not.

    The source has changed since an earlier run: one line is new, one fails now, the last is gone.
    """
    source = tmp_path / "lines.ndjson"
    before, after = "a1\nb2\nc3\nd4\ne5\n", "a1\nB2\nc7\nd4\n"
    source.write_text(after)
    assert not in_child(lambda: shout(source, tmp_path / "clean"))
    expected = tree(tmp_path / "clean")
    assert set(expected) == {
        *(f"bundles/lines.ndjson/0000/000000{n}.txt" for n in (1, 2, 4)),
        "report.ndjson",
    }
    step = 0
    while True:
        step += 1
        out, log = tmp_path / f"out{step}", tmp_path / f"log{step}"
        source.write_text(before)
        assert not in_child(lambda out=out: shout(source, out))
        source.write_text(after)
        killed = in_child(lambda out=out, log=log, step=step: shout(source, out, step, log))
        done = journaled(out)
        told = log.read_text().split() if log.exists() else []
        log.write_text("")
        assert not in_child(lambda out=out, log=log: shout(source, out, 0, log))

        again = log.read_text().split()
        assert tree(out) == expected, f"killed at step {step}"
        assert {"1", "4"}.isdisjoint([*told, *again]), "what had not changed was done again"
        assert all(told.count(line) <= 1 for line in told)
        if 3 in done and not done[3]:
            assert "3" not in again
        if not killed:
            break
    assert step > 25
