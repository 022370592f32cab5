"""The delivery record: what is read, what is refused, and in which words."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from fhircare.delivery import delivery_of, delivery_schema, read_delivery, read_fields
from fhircare.delivery.reading import laid_over
from fhircare.errors import DeliveryError
from fhircare.planner import make_plan

RECORDS = sorted((Path(__file__).parent.parent / "examples" / "records").glob("*.yaml"))
ANNA = RECORDS[0].read_text(encoding="utf-8")


def faults(text: str) -> list[str]:
    with pytest.raises(DeliveryError) as caught:
        read_delivery(text)
    return [str(fault) for fault in caught.value.faults]


def anna(old: str, new: str) -> str:
    assert old in ANNA
    return ANNA.replace(old, new, 1)


@pytest.mark.parametrize("path", RECORDS, ids=lambda p: p.stem)
def test_example_records_are_read(path):
    """Every example record is read whole."""
    assert read_delivery(path.read_text(encoding="utf-8")).synthetic


def test_json_is_read_as_yaml_is():
    """The same record as JSON is the same record."""
    data = YAML(typ="safe", pure=True).load(ANNA)

    assert read_delivery(json.dumps(data, default=str)) == read_delivery(ANNA)


def test_decimals_keep_their_precision():
    """57.10 stays 57.10: a measured value says how finely it was measured."""
    record = read_delivery(anna("value: 57.1,", "value: 57.10,"))

    assert str(record.limb.measurements[1].circumferences[0].girth.value) == "57.10"


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (
            "side: right",
            "side: middle",
            "limb.side (line {line}): is not one of the values allowed — one of 'left'",
        ),
        ("{ply: 1,", "{ply: -1,", "socks.socks[0].ply"),
        ("delivered_on: 2026-11-17", "delivered_on: 2026-06-01", "prosthesis.delivered_on"),
        (
            "time_zone: America/Chicago",
            "time_zone: Mars/Olympus",
            "clinic.time_zone (line {line}): is not a known",
        ),
        ("suspension: locking-pin", "suspension: lanyard", "prosthesis.suspension"),
        ("code: Z89.611", "code: Z89.612", "limb.side"),
        ("code: Z89.611", "code: leg", "order.diagnosis.code"),
        (
            "written_at: 2026-11-17T11:40:00-06:00",
            "written_at: 2026-11-17T11:40:00",
            "has no offset from UTC",
        ),
        (
            "birth_date: 1968-03-09",
            "birth_date: 1968-02-30",
            "patient.birth_date (line {line}): is not a date",
        ),
        ("opens: 08:30", "opens: half past", "is not a clock time"),
        (
            "delivered_on: 2026-11-17",
            "delivered_on: 9999-12-31",
            "prosthesis.delivered_on (line {line}): is not",
        ),
        ("girth: {value: 57.8, unit: cm}", "girth: {value: 57.8, unit: kg}", "one of mm, cm, m, [in_i]"),
        ("kind: knee", "kind: kneee", "prosthesis.components[3].kind"),
        ("role: prosthetist", "role: physician", "names no prosthetist"),
        ("kind: socket,", "kind: cover,", "names no socket"),
        ("hcpcs: L5649", "hcpcs: L56", "is not a HCPCS code"),
        ("sleeps: 22:00", "sleeps: 06:00", "routine.sleeps"),
        ("language: en", "language: english please", "is not a language tag"),
    ],
)
def test_a_fault_names_field_and_mend(old, new, says):
    """Every fault names the field, and says how to mend it."""
    says = says.format(line=ANNA[: ANNA.index(old)].count("\n") + 1)
    found = faults(anna(old, new))

    assert any(says in fault for fault in found), found
    assert all(" — " in fault for fault in found)


def test_an_unknown_key_is_answered_with_the_nearest_known():
    """A misspelt key is reported once, with the key that was meant."""
    line = ANNA[: ANNA.index("cause: trauma")].count("\n") + 1

    assert faults(anna("cause: trauma", "causes: trauma")) == [
        f"limb.causes (line {line}): is not a known field — did you mean cause?"
    ]


def test_all_faults_are_reported_at_once():
    """Three faults in one record are three lines, not three runs."""
    text = anna("side: right", "side: middle").replace("{ply: 1,", "{ply: 0,").replace("Z89.611,", "x,")

    assert len(faults(text)) >= 2
    assert len(faults(anna("Z89.611,", "x,").replace("suspension: locking-pin", "suspension: lanyard"))) == 2


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        ("   \n", "is empty"),
        ("number: [1", "is not YAML that can be read"),
        ('{"number": ', "is not JSON that can be read"),
        ("number: !!python/object/apply:os.system ['true']", "carries a YAML tag"),
        ("a: &x 1\nb: *x", "uses an anchor or alias"),
        ("a: 1\na: 2", "stands twice"),
        ('{"a": 1, "a": 2}', "stands twice"),
        ("- a\n- b", "holds no fields"),
        ("[" * 5000, "is nested too deeply"),
        ('{"a":' * 100000, "is nested too deeply"),
        ("\x00", "is not YAML that can be read"),
    ],
)
def test_text_that_is_no_record_is_refused(text, says):
    """What is not a record at all is refused in one line."""
    found = faults(text)

    assert len(found) == 1
    assert says in found[0]


def test_no_fault_repeats_what_was_written():
    """An error may be pasted into a ticket: it holds no value of the record."""
    text = anna("family: Lindqvist", "family: [Lindqvist]")
    text = text.replace("birth_date: 1968-03-09", "birth_date: 9.3.68")

    said = "\n".join(faults(text))

    assert "Lindqvist" not in said
    assert "9.3.68" not in said


def test_the_npi_check_digit_is_checked():
    """1234567893 is the worked example of CMS, Requirements for NPI and NPI Check Digit."""
    system = "http://hl7.org/fhir/sid/us-npi"
    good = anna(
        "{system: https://harrowcreek.example/staff, value: S-014}",
        f'{{system: {system}, value: "1234567893"}}',
    )
    bad = good.replace("1234567893", "1234567890")

    assert read_delivery(good)
    assert "is not a National Provider Identifier" in faults(bad)[0]


def test_the_schema_describes_every_field():
    """The published schema says in words what each field is."""
    schema = delivery_schema()
    parts = [schema, *schema["$defs"].values()]

    assert [
        (part["title"], name)
        for part in parts
        for name, prop in part.get("properties", {}).items()
        if "description" not in prop
    ] == []


def test_the_published_schema_is_the_one_in_force():
    """docs/delivery-record.schema.json is what `fhircare schema` prints."""
    published = Path(__file__).parent.parent / "docs" / "delivery-record.schema.json"

    assert json.loads(published.read_text(encoding="utf-8")) == json.loads(json.dumps(delivery_schema()))


@pytest.mark.parametrize(
    ("old", "new", "field"),
    [
        ("opens: 08:30, closes: 17:00", "opens: 8, closes: 17:00", "clinic.opening_hours[0].opens"),
        ("opens: 08:30, closes: 17:00", 'opens: "08:30", closes: 17', "clinic.opening_hours[0].closes"),
        ("wakes: 07:00", "wakes: 7", "routine.wakes"),
        ("preferred_time: 10:00", "preferred_time: 10", "follow_up.preferred_time"),
    ],
)
def test_a_bare_hour_is_no_clock_time(old, new, field):
    """A 7 would be seven seconds past midnight, UTC; it is named, and how to write it."""
    (fault,) = faults(anna(old, new))

    assert field in fault
    assert "is not a clock time" in fault


def test_a_list_with_a_faulty_entry_is_not_called_too_short():
    """One fault, one line: the entry that cannot be used, and nothing of how many there are."""
    said = faults(anna("role: prosthetist", "role: CPO").split("  - role: physician")[0])

    assert any("professionals[0].role" in fault for fault in said)
    assert not any("too few" in fault for fault in said)


@pytest.mark.parametrize("field", ["phone", "after_hours_phone", "emergency_phone"])
def test_a_number_nobody_can_dial_is_refused(field):
    """Whom to call stands on every page; words instead of a number would stand there too."""
    number = {
        "phone": "+1-815-555-0140", "after_hours_phone": "+1-815-555-0149", "emergency_phone": '"911"',
    }[field]  # fmt: skip
    (fault,) = faults(anna(f"  {field}: {number}", f"  {field}: ask at the desk"))

    assert f"clinic.{field}" in fault
    assert "dialed" in fault


LEAST = Path(__file__).parent.parent / "docs" / "smallest-record.yaml"


def test_the_smallest_record_makes_a_plan():
    """docs/smallest-record.yaml plans as it stands."""
    assert make_plan(read_delivery(LEAST.read_text(encoding="utf-8"))).wear is not None


@pytest.mark.parametrize(
    "line", ["  name: Tidewater Limb Shop\n", "  birth_date: 1956-02-11\n", "  side: left\n"]
)
def test_the_smallest_record_holds_nothing_to_spare(line):
    """Without one of its lines there is no plan, but for the number after hours."""
    text = LEAST.read_text(encoding="utf-8")
    assert line in text

    with pytest.raises(DeliveryError):
        read_delivery(text.replace(line, "", 1))


def test_a_record_may_share_its_clinic_with_others():
    """`plan --common`: groups are laid over each other; a value or a list takes the place of the other."""
    whole = read_fields(LEAST.read_text(encoding="utf-8"))[0]
    shared = {
        "clinic": {**whole["clinic"], "phone": "+1-757-555-0199"},
        "professionals": whole["professionals"],
    }
    own = {name: part for name, part in whole.items() if name not in shared} | {
        "clinic": {"phone": whole["clinic"]["phone"]}
    }

    assert delivery_of(laid_over(shared, own)) == delivery_of(whole)
    assert laid_over({"a": [1, 2]}, {"a": [3]}) == {"a": [3]}
    assert shared["clinic"]["phone"] == "+1-757-555-0199"
