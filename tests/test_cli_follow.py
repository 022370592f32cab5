"""The commands that follow a plan, as a clinic uses them; and a bundle file that nothing can halve."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from fhircare.bundle import dump, load, read, to_bundle
from fhircare.bundle.logbook import log_of
from fhircare.check import check
from fhircare.cli import main
from fhircare.follow.keep import approve
from tests.test_bundle_history import AT
from tests.test_follow_decide import PLAN

APPROVED = dump(approve(to_bundle(PLAN), "Ruth Okafor", AT))
GOOD = ("--worn", "30", "--skin", "clear", "--worn", "30", "--skin", "clear", "--pain", "1")


@pytest.fixture
def bundle(tmp_path):
    path = tmp_path / "bundle.json"
    path.write_text(APPROVED, encoding="utf-8")
    return path


def log(bundle, day, *words):
    return main(["log", str(bundle), "--day", day, "--written-at", f"{day}T20:00:00-06:00", *words])


def review(bundle, on, *words):
    return main(["review", str(bundle), "--on", on, *words])


def held(bundle):
    return load(bundle.read_text(encoding="utf-8"))


def test_a_day_is_written_down_with_every_option(bundle):
    """Each option of the log lands in its field, sessions in their order."""
    code = log(
        bundle, "2026-11-17", "--author", "caregiver", "--worn", "30", "--skin", "redness",
        "--faded-after", "10", "--sitting", "20", "--standing", "5", "--walking", "5", "--site", "groin",
        "--worn", "25", "--skin", "clear", "--pain", "2", "--ply-morning", "1", "--ply-evening", "2",
        "--sweating", "some", "--swelling",
        "none", "--falls", "0", "--no-fall-hurt", "--no-damage", "--new-shoes", "--liner", "older", "--sign",
        "sweat", "--comment", "warm day",
    )  # fmt: skip
    (entry,) = log_of(held(bundle))

    assert code == 0
    assert [(s.minutes, s.skin, s.faded_after, s.site) for s in entry.sessions] == [
        (30, "redness", 10, "groin"),
        (25, "clear", None, ""),
    ]
    assert (entry.sessions[0].sitting, entry.sessions[0].standing, entry.sessions[0].walking) == (20, 5, 5)
    assert (entry.author, entry.pain, entry.ply_morning, entry.ply_evening) == ("caregiver", 2, 1, 2)
    assert (entry.sweating, entry.swelling, entry.falls, entry.fall_hurt) == ("some", "none", 0, False)
    assert (entry.damage, entry.new_shoes, entry.liner, entry.signs) == (False, True, "older", ("sweat",))
    assert entry.comment == "warm day"


def test_the_same_entry_twice_leaves_the_same_bytes(bundle):
    """Writing a day down twice changes nothing in the file."""
    log(bundle, "2026-11-17", *GOOD)
    once = bundle.read_bytes()

    assert log(bundle, "2026-11-17", *GOOD) == 0
    assert bundle.read_bytes() == once


@pytest.mark.parametrize(
    "words",
    [
        ("--worn", "1560"),
        ("--worn", "30", "--ply-morning", "-1"),
        ("--worn", "30", "--sign", "hunger"),
        ("--released",),
        ("--released", "--author", "clinic"),
        ("--worn", "0", "--skin", "blister"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_stored(bundle, words, capsys):
    """26 hours of wear, ply -1, an unknown sign, a patient's or nameless release: refused, file as it was."""
    before = bundle.read_bytes()

    assert log(bundle, "2026-11-17", *words) == 2
    assert bundle.read_bytes() == before
    assert "—" in capsys.readouterr().err


def test_a_day_before_delivery_is_refused(bundle):
    """Nobody wears a leg before it is delivered."""
    before = bundle.read_bytes()

    assert log(bundle, "2026-11-15", *GOOD) == 2
    assert bundle.read_bytes() == before


def test_a_session_word_without_a_session_is_a_usage_error(bundle):
    """--skin before any --worn belongs to nothing."""
    with pytest.raises(SystemExit) as caught:
        log(bundle, "2026-11-17", "--skin", "clear")

    assert caught.value.code == 2


def test_a_sign_to_stop_at_is_answered_at_once(bundle, capsys):
    """Logging a blister says stop and whom to call, before anybody reviews it, and returns 1."""
    assert log(bundle, "2026-11-17", "--worn", "30", "--skin", "blister") == 1
    said = capsys.readouterr().out

    assert "Stop." in said
    assert PLAN.clinic.phone in said


def test_a_whole_course_on_the_command_line(bundle, capsys):
    """Log, review, stop, release, approve: each review says its decision, and the bundle passes the check."""
    log(bundle, "2026-11-17", *GOOD)
    assert review(bundle, "2026-11-18", "--apply") == 0
    log(bundle, "2026-11-18", "--worn", "60", "--skin", "blister")
    assert review(bundle, "2026-11-19", "--apply") == 1
    assert read(held(bundle)).plan.status == "on-hold"
    assert main(["approve", str(bundle), "--by", "Ruth Okafor"]) == 2
    log(bundle, "2026-11-19", "--author", "clinic", "--by", "Okafor", "--released")
    assert review(bundle, "2026-11-20", "--apply") == 1
    assert (read(held(bundle)).plan.status, read(held(bundle)).plan.intent) == ("draft", "proposal")
    assert "Wear stays stopped (since 2026-11-19) until a clinician approves" in capsys.readouterr().out
    assert main(["approve", str(bundle), "--by", "Ruth Okafor"]) == 0

    plan = read(held(bundle)).plan
    assert (plan.revision, plan.status, plan.intent) == (3, "active", "plan")
    assert check(bundle.read_bytes()).issues == []


@pytest.mark.parametrize("language", ["en", "es"])
def test_while_a_proposal_waits_everything_says_that_wear_is_stopped(bundle, language, tmp_path, capsys):
    """After release, before approval: review, log, handout and calendar say no wear, and whom to call."""
    log(bundle, "2026-11-17", "--worn", "30", "--skin", "blister")
    review(bundle, "2026-11-18", "--apply")
    log(bundle, "2026-11-18", "--author", "clinic", "--by", "Okafor", "--released")
    review(bundle, "2026-11-19", "--apply")
    capsys.readouterr()
    stopped = {"en": "Do not wear the leg yet", "es": "Todavía no use la prótesis"}[language]

    assert review(bundle, "2026-11-20", "--language", language) == 1
    said = capsys.readouterr().out
    assert stopped in said
    assert PLAN.clinic.phone in said
    page = tmp_path / "page.txt"
    words = ["--for", "patient", "--language", language, "--on", "2026-11-20"]
    assert main(["render", str(bundle), "-o", str(page), *words]) == 0
    told = " ".join(page.read_text(encoding="utf-8").split())
    assert stopped in told
    assert PLAN.clinic.phone in told
    calendar = tmp_path / "plan.ics"
    assert main(["calendar", str(bundle), "-o", str(calendar)]) == 0
    from icalendar import Calendar

    events = Calendar.from_ical(calendar.read_bytes()).walk("VEVENT")
    assert not [one for one in events if "wear" in str(one.get("UID")) and one.get("RRULE")]
    if language == "en":
        assert log(bundle, "2026-11-20", "--worn", "0") == 1
        assert stopped in capsys.readouterr().out


def test_a_visit_goes_into_the_clinics_free_times(bundle, tmp_path):
    """`review --slots` takes FHIR Slots as `plan --slots` does."""
    log(bundle, "2026-11-17", "--worn", "30", "--skin", "blister")
    slot = {
        "resourceType": "Slot", "schedule": {"display": "Clinic"}, "status": "free",
        "start": "2026-11-18T14:15:00-06:00", "end": "2026-11-18T15:15:00-06:00",
    }  # fmt: skip
    path = tmp_path / "slots.ndjson"
    busy = {**slot, "status": "busy", "start": "2026-11-18T08:30:00-06:00"}
    path.write_text("".join(json.dumps(one) + "\n" for one in (busy, slot)), encoding="utf-8")

    assert review(bundle, "2026-11-18", "--apply", "--slots", str(path)) == 1

    assert read(held(bundle)).plan.visits[0].start.isoformat() == slot["start"]


def test_a_review_changes_nothing_unless_asked(bundle, tmp_path):
    """Without --apply the file is untouched; -o writes the revision elsewhere."""
    log(bundle, "2026-11-17", "--worn", "10", "--skin", "clear", "--pain", "1")
    before, other = bundle.read_bytes(), tmp_path / "revised.json"

    review(bundle, "2026-11-18")
    review(bundle, "2026-11-18", "-o", str(other))

    assert bundle.read_bytes() == before
    assert read(held(other)).plan.revision == 2


@pytest.mark.parametrize("language", ["en", "es"])
def test_what_is_said_to_the_person_ends_with_the_cautions(bundle, language, capsys):
    """Every review names the phone and the emergency number, in each language that is offered."""
    log(bundle, "2026-11-17", *GOOD)
    capsys.readouterr()
    review(bundle, "2026-11-18", "--format", "json", "--language", language)

    told = json.loads(capsys.readouterr().out)
    said = " ".join(told["patient"])
    assert PLAN.clinic.phone in said
    assert "911" in said
    assert told["move"] == "go-on"


def test_progress_is_drawn_for_all(bundle, tmp_path):
    """The picture is well-formed, has a title and description, and no color but shades of gray."""
    log(bundle, "2026-11-17", *GOOD)
    log(bundle, "2026-11-18", "--worn", "60", "--skin", "rash", "--ply-morning", "2")
    for name in ("p.svg", "p.html", "p.json"):
        assert main(["progress", str(bundle), "-o", str(tmp_path / name), "--on", "2026-11-19"]) == 0

    picture = ET.fromstring((tmp_path / "p.svg").read_text(encoding="utf-8"))  # noqa: S314 - our own picture
    names = {child.tag.rpartition("}")[2] for child in picture}
    assert {"title", "desc"} <= names
    colors = {
        value
        for one in picture.iter()
        for name, value in one.attrib.items()
        if name in ("fill", "stroke") and value.startswith("#")
    }
    assert all(color[1:3] == color[3:5] == color[5:7] for color in colors)
    days = json.loads((tmp_path / "p.json").read_text(encoding="utf-8"))["days"]
    assert days[1]["signs"] == ["itch-or-rash"]
    html = (tmp_path / "p.html").read_text(encoding="utf-8")
    assert PLAN.clinic.phone in html
    assert "Marsh" not in html


LONG = (
    "Walk to the shop at the corner and back without a rest, with one stick, in all weathers, and carry "
    "a bag of shopping home on the way back"
)


def _drawn(goals, language):
    from dataclasses import replace

    from fhircare.follow.course import course_of
    from fhircare.follow.picture import svg
    from fhircare.follow.progress_page import page
    from fhircare.plan import Goal
    from fhircare.render import words_of

    one = PLAN.goals[0]
    plan = replace(PLAN, goals=tuple(replace(one, text=f"{n} {LONG}") for n in range(goals)))
    assert isinstance(one, Goal)
    course = course_of([plan], [], PLAN.wear.days[5].on)
    words = words_of(read(to_bundle(plan, validate=False)), "patient", language)
    return svg(course, words), page(course, words)


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("goals", [1, 3, 6])
def test_the_picture_has_room_for_its_words(goals, language):
    """No two lines of text lie on one another and none runs out of the picture, in either language.

    A letter counts 0.58 of its size: Chromium draws these lines with 0.50 (DejaVu Sans, as wide as Verdana).
    """
    picture = ET.fromstring(_drawn(goals, language)[0])  # noqa: S314 - our own picture
    _, _, width, high = map(float, picture.get("viewBox").split())
    said = [one for one in picture.iter() if one.tag.endswith("}text") and one.get("x")]
    lines = {}
    for one in said:
        x, y, size = float(one.get("x")), float(one.get("y")), float(one.get("font-size", 12))
        reach = len(one.text) * size * 0.58
        start = {"end": x - reach, "middle": x - reach / 2}.get(one.get("text-anchor"), x)
        assert start >= 0
        assert start + reach <= width, one.text
        assert y <= high
        lines.setdefault(y, []).append((start, start + reach))
    for row in lines.values():
        for (_, end), (start, _) in pairwise(sorted(row)):
            assert end <= start
    heights = sorted(lines)
    assert all(low - high >= 12 or low - high <= 6 for high, low in pairwise(heights))


@pytest.mark.parametrize(("language", "words"), [("en", "Every day"), ("es", "Todos los días")])
def test_the_page_of_progress_speaks_the_readers_language(language, words):
    """Headings, cautions and the picture are in one language; the page says which."""
    page = _drawn(1, language)[1]

    assert f'<html lang="{language}' in page
    assert words in page
    assert PLAN.clinic.phone in page
    assert ("Goals" in page) == (language == "en")


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


def test_the_words_of_following_are_all_used():
    """Each sentence of the follow catalog is one that a review can say."""
    root = Path(__file__).parent.parent
    said = (root / "fhircare/follow/told.py").read_text() + (root / "fhircare/follow/rules.toml").read_text()
    catalog = (root / "templates/words/en/LC_MESSAGES/follow.po").read_text(encoding="utf-8")
    for line in catalog.splitlines():
        if line.startswith('msgid "follow.'):
            key = line[7:-1]
            stem = key.rpartition(".")[0] + ".{"
            assert f'"{key}"' in said or f'"{stem}' in said, key


def test_the_sheets_tell_what_was_logged_since_last_time(bundle, tmp_path):
    """The letter and the therapist's sheet tell the days of the log; without a log they have no such part."""
    log(bundle, "2026-11-17", *GOOD)
    log(bundle, "2026-11-19", "--worn", "60", "--skin", "rash", "--pain", "4", "--ply-morning", "2")
    bare = tmp_path / "bare.json"
    bare.write_text(APPROVED, encoding="utf-8")

    for reader in ("physician", "therapist"):
        for source, there in ((bundle, True), (bare, False)):
            page = tmp_path / "page.txt"
            assert main(["render", str(source), "-o", str(page), "--for", reader]) == 0
            said = page.read_text(encoding="utf-8")
            assert ("SINCE LAST TIME" in said) is there
            assert ("Days reported: 2 of 3" in said) is there
            assert ("itching or rash" in said) is there
