"""Fetch, start and stop the real FHIR servers, on loopback: ``with npm_server() as base: ...``

Each is built once into ``build/`` from versions pinned in its folder, holds its data in memory, and ends with
the standard input it was given, so that none outlives the tests.

    python -m tests.servers.launch              fetches and builds all of them
    python -m tests.servers.launch npm|hapi     starts one for trying things by hand; Ctrl-C ends it

Where one cannot be had because its packages cannot be fetched, that is said; in CI it is an error.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

HERE = Path(__file__).parent
BUILD = HERE.parents[1] / "build"
HEAP = "-Xmx1500m"
SECONDS_TO_BUILD = 900
SECONDS_TO_START = 600
SECONDS_BETWEEN_WORDS = 10
_OUT_OF_REACH = re.compile(
    r"ENOTFOUND|ECONNREFUSED|ECONNRESET|ETIMEDOUT|EAI_AGAIN|E40[34]|network|Could not (transfer|resolve)"
    r"|Unknown host|Connection refused|timed out",
    re.IGNORECASE,
)


class NotToBeHadError(Exception):
    """This server's packages cannot be fetched here; says why."""


def needed(name):
    """Whether a server must be there: in CI each, elsewhere those that FHIRCARE_SERVERS names."""
    return bool(os.environ.get("CI")) or name in os.environ.get("FHIRCARE_SERVERS", "").split()


def say(text):
    """Tell how it goes."""
    sys.stderr.write(f"{text}\n")
    sys.stderr.flush()


def npm_server(say=say):
    """Yield the base address of the server built from npm packages."""
    return _running("npm", ["node", "server.mjs", "0"], build_npm(say), say)


def hapi_server(say=say):
    """Yield the base address of the HAPI FHIR server."""
    home = build_hapi(say)
    jars = f"{home / 'classes'}{os.pathsep}{(home / 'classpath.txt').read_text()}"
    quiet = "-Dorg.slf4j.simpleLogger.defaultLogLevel=error"
    command = ["java", HEAP, "-XX:TieredStopAtLevel=1", quiet, "-cp", jars, "fhircare.testserver.Main", "0"]
    return _running("hapi", command, home, say)


def build_npm(say=say):
    """Fetch what the npm server is made of; return its folder."""
    _installed("npm", "Node.js", "node", "npm")
    home = BUILD / "npm"
    home.mkdir(parents=True, exist_ok=True)
    for name in ("package.json", "package-lock.json", "server.mjs"):
        shutil.copyfile(HERE / "npm" / name, home / name)
    if _stale(home / ".built", [HERE / "npm" / "package-lock.json"]):
        _built("npm", ["npm", "ci", "--silent", "--no-audit", "--no-fund"], home, home / ".built", say)
    return home


def build_hapi(say=say):
    """Fetch what the HAPI server is made of, and compile it; return its folder."""
    _installed("hapi", "a JDK with Maven", "java", "javac", "mvn")
    home, source = BUILD / "hapi", HERE / "hapi"
    classpath = home / "classpath.txt"
    goals = ["compile", "dependency:build-classpath", f"-Dmdep.outputFile={classpath}"]
    if _stale(home / ".built", source.rglob("*.*")) or not _all_there(classpath):
        _built("hapi", ["mvn", "-q", "-B", *goals], source, home / ".built", say)
    return home


SERVERS = {"npm": npm_server, "hapi": hapi_server}
BUILDS = {"npm": build_npm, "hapi": build_hapi}


@contextlib.contextmanager
def _running(name, command, folder, say):
    log = (folder / "server.log").open("wb")
    process = subprocess.Popen(command, cwd=folder, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log)
    watch = threading.Timer(SECONDS_TO_START, process.kill)
    watch.start()
    try:
        with _told(f"{name}: starting", say):
            line = process.stdout.readline().decode()
        watch.cancel()
        if not line.startswith("ready "):
            last = (folder / "server.log").read_text(errors="replace")[-600:]
            raise RuntimeError(f"the {name} server did not start: {last}")
        yield line.split()[1]
        if process.poll() is not None:
            raise RuntimeError(f"the {name} server ended by itself; see {folder / 'server.log'}")
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


@contextlib.contextmanager
def _told(what, say):
    """Say every ten seconds that it goes on, and at the end how long it took."""
    begun, over = time.monotonic(), threading.Event()

    def tell():
        while not over.wait(SECONDS_BETWEEN_WORDS):
            say(f"{what} ... {time.monotonic() - begun:.0f} s")

    teller = threading.Thread(target=tell, daemon=True)
    teller.start()
    try:
        yield
    finally:
        over.set()
        teller.join()
        say(f"{what}: {time.monotonic() - begun:.0f} s")


def _installed(name, what, *programs):
    if missing := [program for program in programs if not shutil.which(program)]:
        raise NotToBeHadError(f"{name}: {what} is not installed ({', '.join(missing)} not found)")


def _stale(mark, sources):
    return not mark.exists() or any(mark.stat().st_mtime < source.stat().st_mtime for source in sources)


def _all_there(classpath):
    return classpath.exists() and all(Path(p).exists() for p in classpath.read_text().split(os.pathsep))


def _built(name, command, folder, mark, say):
    try:
        with _told(f"{name}: fetching and building", say):
            done = subprocess.run(
                command,
                cwd=folder,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                check=False,
                timeout=SECONDS_TO_BUILD,
            )
    except subprocess.TimeoutExpired:
        raise NotToBeHadError(f"{name}: not fetched within {SECONDS_TO_BUILD} s") from None
    if done.returncode:
        words = done.stdout.decode(errors="replace").strip()[-600:]
        if _OUT_OF_REACH.search(words):
            raise NotToBeHadError(f"{name}: its packages cannot be fetched; {command[0]} says: {words}")
        raise RuntimeError(f"the {name} server could not be built; {command[0]} says: {words}")
    mark.touch()


def _build_all():
    failed = 0
    for name, build in BUILDS.items():
        try:
            build()
        except NotToBeHadError as error:
            failed |= needed(name)
            say(f"{'FAILED' if needed(name) else 'left out'}: {error}")
    return failed


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit(_build_all())
    with SERVERS[sys.argv[1]]() as address:
        sys.stdout.write(f"{address}\n")
        sys.stdout.flush()
        with contextlib.suppress(KeyboardInterrupt):
            threading.Event().wait()
