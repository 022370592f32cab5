"""Starting the real servers of the tests: fetched, waited for, always stopped; what cannot be had is said."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from pathlib import Path

import pytest

from tests.servers import launch


@pytest.fixture
def words(tmp_path, monkeypatch):
    """A build folder of its own, no need of any server, and what was said."""
    monkeypatch.setattr(launch, "BUILD", tmp_path / "build")
    monkeypatch.setattr(launch, "SECONDS_BETWEEN_WORDS", 0.05)
    monkeypatch.delenv("CI", raising=False)
    monkeypatch.delenv("FHIRCARE_SERVERS", raising=False)
    said = []
    monkeypatch.setattr(launch, "say", said.append)
    return said


def programs(folder, monkeypatch, **scripts):
    """Put programs of ours, and no others, where programs are found."""
    folder.mkdir()
    for name, script in scripts.items():
        (folder / name).write_text(f"#!/bin/sh\n{script}\n")
        (folder / name).chmod(0o755)
    monkeypatch.setenv("PATH", str(folder))


def test_what_is_not_installed_is_said(words, tmp_path, monkeypatch):
    """Neither Node.js nor a JDK: each is left out by name; in CI that is a failure."""
    programs(tmp_path / "bin", monkeypatch)

    assert launch._build_all() == 0
    assert words == [
        "left out: npm: Node.js is not installed (node, npm not found)",
        "left out: hapi: a JDK with Maven is not installed (java, javac, mvn not found)",
    ]
    monkeypatch.setenv("CI", "true")
    assert launch._build_all() == 1
    assert words[-1].startswith("FAILED: hapi:")


@pytest.mark.parametrize(
    "says",
    [
        "npm error code ENOTFOUND",
        "Could not transfer artifact ca.uhn.hapi.fhir:hapi-fhir-bom: Unknown host",
        "npm error network request failed",
    ],
)
def test_packages_out_of_reach(words, tmp_path, monkeypatch, says):
    """A registry that cannot be reached: said in its words; not the same as a fault of ours."""
    programs(tmp_path / "bin", monkeypatch, node="", npm=f"echo '{says}'; exit 1")

    with pytest.raises(launch.NotToBeHadError, match="npm: its packages cannot be fetched") as caught:
        launch.build_npm(words.append)
    assert says in str(caught.value)


def test_a_build_that_fails_is_a_failure(words, tmp_path, monkeypatch):
    """Fetched but not built: an error everywhere, never left out."""
    programs(tmp_path / "bin", monkeypatch, node="", npm="echo 'syntax error in package.json'; exit 1")

    with pytest.raises(RuntimeError, match="the npm server could not be built; npm says: syntax error"):
        launch.build_npm(words.append)


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="no /proc here to count processes in")
def test_a_server_is_waited_for_and_ends_with_us(words, tmp_path):
    """Words while it starts, its address when it is ready; when we are done it is gone."""
    ready = "print('ready http://127.0.0.1:1/fhir', flush=True)"
    command = [sys.executable, "-c", f"import sys, time; time.sleep(0.3); {ready}; sys.stdin.read()"]

    before = _children()
    with started(command, tmp_path, words) as server:
        assert server.base == "http://127.0.0.1:1/fhir"
        running = _children() - before
    assert len(running) == 1
    assert not running & _children()
    assert any(word.startswith("one: starting ...") for word in words)
    assert words[-1].startswith("one: starting: ")


@pytest.mark.parametrize("code", ["raise SystemExit('out of memory')", "print('hello')"])
def test_a_server_that_does_not_start(words, tmp_path, code):
    """It ends, or says something else: a failure, with its last words."""
    with (
        pytest.raises(RuntimeError, match="the one server did not start"),
        started([sys.executable, "-c", code], tmp_path, words),
    ):
        pass


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="no /proc here to count processes in")
def test_a_server_that_ends_by_itself(words, tmp_path):
    """Ended while the tests ran: a failure, though the tests did not notice."""
    script = "print('ready http://127.0.0.1:1/fhir', flush=True)"
    with (
        pytest.raises(RuntimeError, match="ended by itself"),
        started([sys.executable, "-c", script], tmp_path, words),
    ):
        _until_gone()


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="no /proc here to count processes in")
def test_a_server_is_killed_and_started_again(words, tmp_path):
    """Killed it is gone at once; started again it has the same address; when we are done it is gone."""
    code = (
        "import sys; print('ready http://127.0.0.1:' + sys.argv[1] + '/fhir', flush=True); sys.stdin.read()"
    )
    before = _children()

    with started([sys.executable, "-c", code, "{port}"], tmp_path, words) as server:
        first, base = _children() - before, server.base
        server.kill()
        assert not first & _children()
        server.start()
        assert server.base == base
        second = _children() - before
    assert len(second) == 1
    assert not second & _children()


def started(command, folder, words):
    """A command run as a server."""
    return launch._running(launch.Running("one", command, folder, words.append))


def _children():
    """Ids of the processes whose parent is this one, zombies left out."""
    found = set()
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            fields = stat.read_text().rpartition(")")[2].split()
            if int(fields[1]) == os.getpid() and fields[0] != "Z":
                found.add(int(stat.parent.name))
    return found


def _until_gone():
    for _ in range(200):
        if not _children():
            return
        time.sleep(0.05)
