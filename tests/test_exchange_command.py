"""Sending and giving as the clinic's IT types it: in this process, against servers on this machine."""

from __future__ import annotations

import io
import json

import pytest

from fhircare.bundle import dump
from fhircare.cli import main
from fhircare.releases import detect_release
from tests.courses import example_course, standing
from tests.servers.serve import serve
from tests.servers.stub import Stub

COURSE, OTHER = "anna-first-locking", "ben-replacement-socket"


@pytest.fixture
def start():
    """Start servers; all are stopped in the end."""
    running = []

    def one():
        stub = Stub()
        running.append(serve(stub))
        return stub

    yield one
    for server in running:
        server.shutdown()
        server.server_close()


@pytest.fixture
def home(tmp_path, monkeypatch):
    """A home of its own: configuration, data and cache are found where a user's are."""
    for name in ("CONFIG", "DATA", "CACHE"):
        monkeypatch.setenv(f"XDG_{name}_HOME", str(tmp_path / name.lower()))
    return tmp_path


@pytest.fixture
def places(home, start):
    """A hospital and a therapist, by name."""
    found = {name: start() for name in ("hospital", "therapist")}
    folder = home / "config" / "fhircare"
    folder.mkdir(parents=True)
    text = "".join(f'[destination.{name}]\nbase = "{stub.base}"\n' for name, stub in found.items())
    (folder / "destinations.toml").write_text(text)
    return found


@pytest.fixture
def file(home):
    """Write a step of the course into one and the same file."""

    def at(step):
        path = home / "bundle.json"
        path.write_text(dump(example_course(COURSE)[step]), encoding="utf-8")
        return str(path)

    return at


def on(stub):
    """Revision and status of each CarePlan of a server."""
    return standing({"entry": [{"resource": r} for r in stub.of("CarePlan")]})


def test_a_revised_plan_goes_where_it_went(places, file, capsys):
    """Sent to the hospital, its goals given to the therapist; revised; then one word sends each what
    concerns it, and only what has changed.
    """
    assert main(["send", file("approved"), "--to", "hospital", "--no-pdf"]) == 0
    assert main(["goals", "give", file("approved"), "--to", "therapist"]) == 0
    assert places["therapist"].of("CarePlan") == []
    for stub in places.values():
        stub.seen.clear()
    capsys.readouterr()

    assert main(["send", file("revised"), "--no-pdf"]) == 0

    told = capsys.readouterr().out
    assert on(places["hospital"]) == [("r1", "revoked"), ("r2", "active")]
    assert places["therapist"].of("CarePlan") == places["therapist"].of("ServiceRequest") == []
    assert {goal["meta"]["versionId"] for goal in places["therapist"].of("Goal")} == {"2"}
    assert [line.split(":")[0] for line in told.splitlines() if line[:1].strip()] == ["hospital", "therapist"]
    written = [e["resource"] for _, _, body in places["therapist"].writes() for e in body["entry"]]
    assert {r["resourceType"] for r in written} <= {"Goal", "Condition", "Observation"}

    for stub in places.values():
        stub.seen.clear()
    assert main(["send", file("revised"), "--no-pdf"]) == 0
    assert [stub.writes() for stub in places.values()] == [[], []]


def test_a_plan_that_went_nowhere(places, file, capsys):
    """Without a destination, and sent nowhere before: said, with what to do; nothing is queued."""
    assert main(["send", file("approved")]) == 2
    said = capsys.readouterr().err
    assert "--to: is needed: this plan was sent nowhere before — name a destination" in said
    assert main(["outbox"]) == 0
    assert capsys.readouterr().out == "nothing there\n"


def test_a_folder_of_which_one_went_nowhere(places, home, file, capsys):
    """Of a folder, what went somewhere goes again; what never did is named, and the exit code says so."""
    folder = home / "plans"
    folder.mkdir()
    for name in (COURSE, OTHER):
        (folder / f"{name}.json").write_text(dump(example_course(name)["approved"]), encoding="utf-8")
    assert main(["send", str(folder / f"{COURSE}.json"), "--to", "hospital", "--no-pdf"]) == 0
    capsys.readouterr()

    assert main(["send", str(folder), "--no-pdf"]) == 1

    said = capsys.readouterr()
    assert f"{OTHER}.json: went nowhere before, and was not sent" in said.err
    assert "read back, as sent" in said.out
    assert len(places["hospital"].of("CarePlan")) == 1


def test_to_more_than_one(places, file):
    """--to may be said more than once; each gets the whole plan."""
    assert main(["send", file("approved"), "--to", "hospital", "--to", "therapist", "--no-pdf"]) == 0
    assert [on(stub) for stub in places.values()] == [[("r1", "active")]] * 2


def test_an_unknown_name_stops_before_anything_is_queued(places, file, capsys):
    """A misspelt destination: nothing is queued for the other one either."""
    assert main(["send", file("approved"), "--to", "hospital", "--to", "hospitl", "--no-pdf"]) == 2
    assert "known: hospital, therapist" in capsys.readouterr().err
    assert main(["outbox"]) == 0
    assert capsys.readouterr().out == "nothing there\n"


def test_a_dry_run_to_where_it_went(places, file, capsys):
    """--dry-run without --to: the requests for each place, none made."""
    assert main(["send", file("approved"), "--to", "hospital", "--no-pdf"]) == 0
    places["hospital"].seen.clear()
    capsys.readouterr()

    assert main(["send", file("stopped"), "--dry-run", "--format", "json"]) == 0

    (told,) = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert (told["destination"], told["way"]) == ("hospital", "transaction")
    methods = {e["request"]["method"] for r in told["requests"] for e in r["body"]["entry"]}
    assert methods == {"POST", "PUT"}
    assert places["hospital"].writes() == []


def test_queued_and_pushed(places, file, capsys):
    """--queue without --to: waits for each place, and goes with the next push."""
    assert main(["send", file("approved"), "--to", "hospital", "--no-pdf"]) == 0
    assert main(["send", file("stopped"), "--queue", "--no-pdf"]) == 0
    assert on(places["hospital"]) == [("r1", "active")]

    assert main(["outbox", "push"]) == 0
    assert on(places["hospital"]) == [("r1", "revoked"), ("r2", "revoked"), ("r3", "on-hold")]


def test_the_server_is_asked_once_a_day(places, file, home):
    """Two runs, one CapabilityStatement: the second run takes it from the cache folder."""
    for _ in range(2):
        assert main(["send", file("approved"), "--to", "hospital", "--no-pdf"]) == 0

    assert [path for _, path, _, _ in places["hospital"].seen].count("metadata") == 1
    assert len(list((home / "cache" / "fhircare" / "servers").iterdir())) == 1


def test_taking_takes_no_destination(places, file, capsys):
    """--to is for giving; with take it is a usage error."""
    with pytest.raises(SystemExit) as stopped:
        main(["goals", "take", "hospital", "--into", file("approved"), "--to", "therapist"])
    assert stopped.value.code == 2
    assert "--to is for giving" in capsys.readouterr().err


def test_goals_taken_from_a_server_into_a_revised_plan(places, file, capsys):
    """A therapist's goal joins the plan in force of a followed bundle."""
    assert main(["goals", "give", file("approved"), "--to", "therapist"]) == 0
    stub = places["therapist"]
    (patient,) = stub.of("Patient")
    stub.put(
        {
            "resourceType": "Goal",
            "identifier": [{"system": "https://therapy.example/goals", "value": "7"}],
            "lifecycleStatus": "active",
            "description": {"text": "Climb a flight of stairs"},
            "subject": {"reference": f"Patient/{patient['id']}"},
        }
    )
    capsys.readouterr()

    assert main(["goals", "take", "therapist", "--into", file("revised")]) == 0
    assert "new       7" in capsys.readouterr().out


class _Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.mark.parametrize("terminal", [True, False])
def test_a_bar_for_many_on_a_terminal(places, home, monkeypatch, terminal):
    """Two plans on a terminal: a bar that goes to 2/2; in a pipe nothing of it; both arrive."""
    screen = _Terminal() if terminal else io.StringIO()
    monkeypatch.setattr("sys.stderr", screen)
    folder = home / "plans"
    folder.mkdir()
    lines = [json.dumps(json.loads(dump(example_course(name)["approved"]))) for name in (COURSE, OTHER)]
    (folder / "all.ndjson").write_text("\n".join(lines) + "\n", encoding="utf-8")

    assert main(["send", str(folder), "--to", "hospital", "--no-pdf", "--workers", "2"]) == 0

    assert ("2/2" in screen.getvalue()) is terminal
    assert len(places["hospital"].of("CarePlan")) == 2


def test_a_file_in_r5(places, home, file, capsys):
    """A bundle file in R5: sent to an R4 server in R4 and to an R5 server in R5; goals are given and taken in
    the release of the file.
    """
    places["therapist"].version = "5.0.0"
    path = home / "r5.json"
    assert main(["convert", file("revised"), "--fhir", "R5", "-o", str(path)]) == 0
    capsys.readouterr()

    assert main(["send", str(path), "--to", "hospital", "--to", "therapist", "--no-pdf"]) == 0
    assert [len(stub.of("DeviceUseStatement")) for stub in places.values()] == [1, 0]
    assert [len(stub.of("DeviceUsage")) for stub in places.values()] == [0, 1]

    goals = home / "goals.json"
    assert main(["goals", "give", str(path), "-o", str(goals)]) == 0
    given = json.loads(goals.read_text())
    assert "R5" in {detect_release(given), detect_release(json.loads(path.read_text()))}
    before = path.read_text()
    assert main(["goals", "take", str(goals), "--into", str(path)]) == 0
    assert path.read_text() == before
