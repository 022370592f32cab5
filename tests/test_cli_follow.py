"""The commands that follow a plan, as a clinic uses them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from fhircare.bundle import read
from fhircare.bundle.logbook import log_of
from fhircare.check import check
from fhircare.cli import main
from tests.following import APPROVED, GOOD, held, log, review
from tests.test_follow_decide import PLAN


@pytest.fixture
def bundle(tmp_path):
    path = tmp_path / "bundle.json"
    path.write_text(APPROVED, encoding="utf-8")
    return path


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
    assert main(["approve", str(bundle), "--by", "Ruth Okafor", "--at", "2026-11-20T09:00:00-06:00"]) == 0

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
