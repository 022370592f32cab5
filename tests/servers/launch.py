"""Fetch, start, kill and stop the real FHIR servers, on loopback: ``with npm_server() as server: ...``

Each is built once into ``build/`` from versions pinned in its folder, begins empty, and ends with the
standard input it was given, so that none outlives the tests. HAPI FHIR keeps its data in a folder while it
runs, so that it has them again after a kill; the npm server keeps them in memory, and comes back empty.

    python -m tests.servers.launch                      fetches and builds all of them
    python -m tests.servers.launch npm|hapi-r4|hapi-r5  starts one to try by hand; Ctrl-C ends it

Where one cannot be had because its packages cannot be fetched, that is said; in CI it is an error.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import socket
import subprocess
import sys
import threading
import time
import zoneinfo
from pathlib import Path

import requests

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


class Running:
    """A server that runs: ``base`` is its address, the same also after ``kill`` and ``start``."""

    def __init__(self, name, command, folder, say, *, release="R4", keeps=False):
        """Prepare to start a server.

        Args:
            name: What it is called.
            command: What starts it; "{port}" in it stands for the port.
            folder: Where it runs, and leaves ``NAME.log``.
            say: Called with how it goes.
            release: The release of FHIR it speaks.
            keeps: Whether it has its data again after a kill.
        """
        self.name, self.release, self.keeps, self.base = name, release, keeps, ""
        self._folder, self._say = folder, say
        self._port = _free_port()
        self._command = [part.format(port=self._port) for part in command]
        self._process = self._log = None

    def start(self):
        """Start it and wait until it answers."""
        self._log = self.log.open("wb")
        self._process = subprocess.Popen(
            self._command, cwd=self._folder, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._log
        )
        watch = threading.Timer(SECONDS_TO_START, self._process.kill)
        watch.start()
        try:
            with _told(f"{self.name}: starting", self._say):
                line = self._process.stdout.readline().decode()
        finally:
            watch.cancel()
        if not line.startswith("ready "):
            self.stop()
            last = self.log.read_text(errors="replace")[-600:]
            raise RuntimeError(f"the {self.name} server did not start: {last}")
        self.base = line.split()[1]

    def kill(self):
        """End it as a power cut would (SIGKILL): it gets no chance to put anything in order."""
        self._process.kill()
        self._process.wait()
        self.stop()

    def stop(self):
        """End it in order."""
        self._process.stdin.close()
        try:
            self._process.wait(20)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process.stdout.close()
        self._log.close()

    @property
    def running(self):
        """Whether its process still runs."""
        return self._process.poll() is None

    @property
    def log(self):
        """The file of what it said on its standard error."""
        return self._folder / f"{self.name}.log"


def npm_server(say=say):
    """Run the server built from npm packages."""
    return _running(Running("npm", ["node", "server.mjs", "{port}"], build_npm(say), say))


def hapi_server(say=say, release="R4"):
    """Run a HAPI FHIR server of a release."""
    home, name = build_hapi(say), f"hapi-{release.lower()}"
    data = home / f"data-{release.lower()}"
    shutil.rmtree(data, ignore_errors=True)
    data.mkdir()
    jars = f"{home / 'classes'}{os.pathsep}{(home / 'classpath.txt').read_text()}"
    quiet = "-Dorg.slf4j.simpleLogger.defaultLogLevel=error"
    main = ["-cp", jars, "fhircare.testserver.Main", release, "{port}", str(data)]
    command = ["java", HEAP, "-XX:TieredStopAtLevel=1", quiet, *main]
    return _running(Running(name, command, home, say, release=release, keeps=True))


@contextlib.contextmanager
def hapi_r5_server(say=say):
    """Run a HAPI FHIR server of R5 that knows the time zones.

    R5 binds the zone of opening hours to IANA's codes, which HL7 does not publish as a code system: who runs
    a server that checks codes has to load them, and so do we, from this machine's own list of zones.
    """
    zones = {
        "resourceType": "CodeSystem",
        "id": "time-zones",
        "url": "https://www.iana.org/time-zones",
        "name": "TimeZones",
        "status": "active",
        "caseSensitive": True,
        "content": "complete",
        "concept": [{"code": zone} for zone in sorted(zoneinfo.available_timezones())],
    }
    with hapi_server(say, "R5") as server:
        told = requests.put(
            f"{server.base}/CodeSystem/time-zones",
            json=zones,
            headers={"Content-Type": "application/fhir+json"},
            timeout=120,
        )
        told.raise_for_status()
        yield server


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


SERVERS = {"npm": npm_server, "hapi-r4": hapi_server, "hapi-r5": hapi_r5_server}
BUILDS = {"npm": build_npm, "hapi": build_hapi}


@contextlib.contextmanager
def _running(server):
    server.start()
    try:
        yield server
        if not server.running:
            raise RuntimeError(f"the {server.name} server ended by itself; see {server.log}")
    finally:
        server.stop()


def _free_port():
    with socket.create_server(("127.0.0.1", 0)) as taken:
        return taken.getsockname()[1]


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
    with SERVERS[sys.argv[1]]() as running:
        sys.stdout.write(f"{running.base}\n")
        sys.stdout.flush()
        with contextlib.suppress(KeyboardInterrupt):
            threading.Event().wait()
