"""Start the real FHIR servers on loopback, and stop them: ``with npm_server() as base: ...``

Each is built once into ``build/`` from versions pinned in its folder, holds its data in memory, and ends with
the standard input it was given, so that none outlives the tests.

    python -m tests.servers.launch npm|hapi     starts one for trying things by hand; Ctrl-C ends it
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import threading
from pathlib import Path

HERE = Path(__file__).parent
BUILD = HERE.parents[1] / "build"
HEAP = "-Xmx1500m"
SECONDS_TO_START = 240


class NotToBeHadError(Exception):
    """This server cannot be started here; says why."""


def npm_server():
    """Yield the base address of the server built from npm packages."""
    if not (shutil.which("node") and shutil.which("npm")):
        raise NotToBeHadError("Node.js is not installed")
    home = BUILD / "npm"
    home.mkdir(parents=True, exist_ok=True)
    for name in ("package.json", "package-lock.json", "server.mjs"):
        shutil.copyfile(HERE / "npm" / name, home / name)
    if _stale(home / ".built", HERE / "npm" / "package-lock.json"):
        _built(["npm", "ci", "--silent", "--no-audit", "--no-fund"], home)
    return _running(["node", "server.mjs", "0"], home)


def hapi_server():
    """Yield the base address of the HAPI FHIR server."""
    if not (shutil.which("java") and shutil.which("mvn")):
        raise NotToBeHadError("a JDK and Maven are not installed")
    home, source = BUILD / "hapi", HERE / "hapi"
    classpath = home / "classpath.txt"
    newest = max(source.rglob("*.*"), key=lambda path: path.stat().st_mtime)
    if _stale(home / ".built", newest) or not classpath.exists():
        _built(
            ["mvn", "-q", "-B", "compile", "dependency:build-classpath", f"-Dmdep.outputFile={classpath}"],
            source,
            mark=home / ".built",
        )
    jars = f"{home / 'classes'}{os.pathsep}{classpath.read_text()}"
    quiet = "-Dorg.slf4j.simpleLogger.defaultLogLevel=error"
    command = ["java", HEAP, "-XX:TieredStopAtLevel=1", quiet, "-cp", jars, "fhircare.testserver.Main", "0"]
    return _running(command, home)


SERVERS = {"npm": npm_server, "hapi": hapi_server}


@contextlib.contextmanager
def _running(command, folder):
    log = (folder / "server.log").open("wb")
    process = subprocess.Popen(command, cwd=folder, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log)
    watch = threading.Timer(SECONDS_TO_START, process.kill)
    watch.start()
    try:
        line = process.stdout.readline().decode()
        watch.cancel()
        if not line.startswith("ready "):
            raise NotToBeHadError(f"it did not start; see {folder / 'server.log'}")
        yield line.split()[1]
    finally:
        watch.cancel()
        process.stdin.close()
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        process.stdout.close()
        log.close()


def _stale(mark, source):
    return not mark.exists() or mark.stat().st_mtime < source.stat().st_mtime


def _built(command, folder, mark=None):
    done = subprocess.run(command, cwd=folder, capture_output=True, check=False)
    if done.returncode:
        raise NotToBeHadError(f"it could not be built: {done.stdout[-300:].decode(errors='replace')}")
    (mark or folder / ".built").touch()


if __name__ == "__main__":
    with SERVERS[sys.argv[1]]() as address:
        sys.stdout.write(f"{address}\n")
        sys.stdout.flush()
        with contextlib.suppress(KeyboardInterrupt):
            threading.Event().wait()
