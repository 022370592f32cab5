"""Since last time: every value printed from the log names where it stands, and changes with it."""

from __future__ import annotations

import copy
import datetime as dt
import functools
import html
import re
from typing import TYPE_CHECKING, Any

import pytest

from fhircare.bundle import read
from fhircare.follow.keep import take
from fhircare.log import entry_from
from fhircare.render import render
from tests.courses import example_course

if TYPE_CHECKING:
    from collections.abc import Iterator

Path = tuple[str | int, ...]
ZONE = dt.timezone(dt.timedelta(hours=-6))
PRINTED = {
    "wear-session", "pain", "sock-ply", "skin", "sign", "falls", "day-log", "faded-after",
}  # fmt: skip
"""Codes of the log whose values stand in the section; the rest, such as sweat, is the clinic's to read."""


@functools.cache
def logged() -> dict[str, Any]:
    """A plan that was revised once, and two more days with all that the section tells of."""
    days = [
        {"sessions": [{"minutes": 30, "skin": "redness", "faded_after": 25}, {"minutes": 20, "skin": "rash"}],
         "falls": 1, "pain": 3, "ply_morning": 2, "ply_evening": 3, "signs": ["fever"], "sweating": "some"},
        {"sessions": [{"minutes": 45, "skin": "tender-spot"}], "falls": 1, "pain": 2, "ply_morning": 4},
    ]  # fmt: skip
    entries = []
    for number, told in enumerate(days, start=1):
        on = dt.date(2026, 11, 18) + dt.timedelta(days=number)
        written = dt.datetime.combine(on, dt.time(20), ZONE)
        entries.append(entry_from({"on": on, "written_at": written, "author": "patient", **told}))
    bundle: dict[str, Any] = take(example_course("anna-first-locking")["revised"], entries).bundle
    return bundle


def section(bundle: dict[str, Any], reader: Any = "therapist") -> str:
    """The section as HTML."""
    page = str(render(read(bundle), "html", reader))
    found = re.search(r'(?s)<section aria-labelledby="since">.*?</section>', page)
    return found[0] if found else ""


def bare(part: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", part)).split())  # as it is read


def is_log(resource: dict[str, Any]) -> bool:
    if resource["resourceType"] != "Observation" or "issued" not in resource:
        return False
    return bool({coding.get("code") for coding in resource["code"]["coding"]} & PRINTED)


def leaves(node: Any, path: Path = ()) -> Iterator[tuple[Path, Any]]:
    if isinstance(node, dict | list):
        for key, value in node.items() if isinstance(node, dict) else enumerate(node):
            yield from leaves(value, (*path, key))
    else:
        yield path, node


def changes() -> Iterator[Any]:
    """Every printed value of the log with another one: numbers, codes and days."""
    codes = {"redness": "broken-skin", "rash": "infection", "tender-spot": "dark-area", "fever": "warm-red"}
    for index, entry in enumerate(logged()["entry"]):
        resource = entry["resource"]
        if not is_log(resource):
            continue
        for path, value in leaves(resource):
            part = resource.get("component", [{}])[path[1]] if path[0] == "component" else resource  # type: ignore[index]
            code = part["code"]["coding"][-1].get("code")
            evening = any(one.get("valueString") == "evening" for one in resource.get("component", []))
            place, other = (index, *path), None
            if code in PRINTED and path[-2:] == ("valueQuantity", "value") and not evening:
                other = value + 60
            elif code in PRINTED and path[-1] == "valueInteger":
                other = value + 1
            elif path[-1] == "code" and "valueCodeableConcept" in path and code in PRINTED:
                other = codes.get(value)
            elif path[-1] == "effectiveDateTime" and code == "day-log":
                other = (dt.date.fromisoformat(value) + dt.timedelta(days=30)).isoformat()
            if other is not None:
                name = f"{resource['code']['text']}-{'.'.join(map(str, path))}-{index}"
                yield pytest.param(place, other, id=name)


def test_there_is_something_to_change() -> None:
    """Sessions, skin, pain, ply, falls, signs and days, of three days."""
    assert len(list(changes())) >= 15


@pytest.mark.parametrize(("place", "other"), list(changes()))
def test_a_changed_value_of_the_log_is_told(place: Path, other: Any) -> None:
    """The section says something else as soon as the Observation does."""
    bundle = copy.deepcopy(logged())
    node: Any = bundle["entry"][place[0]]["resource"]
    for step in place[1:-1]:
        node = node[step]
    node[place[-1]] = other

    assert bare(section(bundle)) != bare(section(logged()))


@pytest.mark.parametrize("reader", ["physician", "therapist"])
def test_every_value_names_what_it_was_read_from(reader: str) -> None:
    """No digit and no finding stands outside an element with its paths, and each path leads to an element."""
    part = section(logged(), reader)
    named = re.findall(r' data-source="([^"]*)"', part)
    told = re.sub(r"(?s)<dt>.*?</dt>|<h2.*?</h2>", "", part)
    outside = re.sub(r'(?s)<(time|data|span|bdi)\b[^>]*data-source="[^"]*"[^>]*>.*?</\1>', "", told)

    assert set(bare(outside).replace(",", "").split()) <= {"of", "and", "\N{EN DASH}", "from", "to", ";"}
    assert len(named) >= 12
    for path in {one for union in named for one in html.unescape(union).split(" | ")}:
        assert at(logged(), path) is not None


def at(bundle: dict[str, Any], path: str) -> Any:
    """What stands at one of our FHIRPaths, which hold names and indexes only."""
    node: Any = bundle
    for name, index in re.findall(r"(\w+)(?:\[(\d+)\])?", path.removeprefix("Bundle.")):
        node = node[name]
        node = node[int(index)] if index else node
    return node


def test_what_is_reckoned_names_all_it_was_reckoned_from() -> None:
    """The time worn in all stands for the minutes of each session, in FHIRPath's union."""
    found = re.search(r'datetime="PT2H5M" data-source="([^"]*)"', section(logged()))

    assert found is not None
    assert [at(logged(), path) for path in found[1].split(" | ")] == [30, 30, 20, 45]


@pytest.mark.parametrize("reader", ["physician", "therapist"])
def test_a_stop_that_was_lifted_is_told_with_who_lifted_it(reader: str) -> None:
    """Redness beyond its limit stopped wear: how long it took, the day of the release and its clinician."""
    part = bare(section(example_course("anna-first-locking")["released"], reader))

    assert "a blister" in part
    assert "Redness took at most 25 minutes" in part
    assert "Wear was stopped, and let begin again Nov 22, 2026 , Ruth Okafor" in part


def test_the_letter_asks_for_nothing_by_a_day_gone_by() -> None:
    """A letter written after a revision names no day before it: not for its asks, its wear, its visits."""
    plan = read(example_course("anna-first-locking")["released"])
    assert plan.plan.written_at is not None
    written = plan.plan.written_at.date()
    page = str(render(plan, "html", "physician"))
    asked = re.sub(r'(?s)<section aria-labelledby="since">.*?</section>', "", page).split('id="plan"')[1]

    days = [dt.date.fromisoformat(day) for day in re.findall(r'datetime="(\d{4}-\d\d-\d\d)"', asked)]
    assert days
    assert min(days) >= written
