"""Every leaf of another system's bundle is told, or named as unread; nothing breaks the readers."""

from __future__ import annotations

import contextlib
import copy
import json
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhircare.bundle import Reading, read
from fhircare.check import check
from fhircare.errors import TemplateError
from fhircare.render import READERS, calendar, render

if TYPE_CHECKING:
    from collections.abc import Iterator

FOLDER = Path(__file__).parent / "data"
FOREIGN = sorted(path for path in (FOLDER / "foreign").rglob("*.json") if path.parent.name != "r5")
EXAMPLES: list[dict[str, Any]] = [
    one
    for path in sorted([*(FOLDER / "hl7" / "examples").rglob("*.json"), *FOREIGN])
    if (one := json.loads(path.read_text("utf-8"), parse_float=Decimal)).get("resourceType") != "Bundle"
]
FRAME = {"resourceType", "id", "meta", "language", "fullUrl"}
"""What tells resources apart and moves them."""
TRANSPORT = {"type", "timestamp", "identifier", "link", "total", "request", "response", "search", "signature"}
"""The bundle's own frame."""
DECIDES = {
    "status", "intent", "lifecycleStatus", "active", "doNotPerform", "clinicalStatus", "verificationStatus",
    "kind",
}  # fmt: skip
"""What decides whether the rest is told."""


WHOLE = {
    "id", "coding", "text", "system", "version", "code", "display", "userSelected", "value", "unit", "use",
    "rank", "type", "name", "prefix", "given", "family", "suffix", "div", "status", "concept", "reference",
}  # fmt: skip
"""What a told element may hold beside what was told: the codes beside a text, the use of a number."""


def _document(path: Path) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(path.read_text("utf-8"), parse_float=Decimal)
    return document if document["resourceType"] in {"Bundle", "CarePlan"} else _bundle([document])


def _bundle(resources: list[dict[str, Any]]) -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one} for one in resources]}


def _leaves(value: Any, path: str) -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for name, below in value.items():
            yield from _leaves(below, f"{path}.{name}")
    elif isinstance(value, list):
        for index, below in enumerate(value):
            yield from _leaves(below, f"{path}[{index}]")
    elif value is not None:
        yield path, value


def _within(path: str, places: set[str]) -> bool:
    return any(path == place or path.startswith((f"{place}.", f"{place}[")) for place in places)


def _unaccounted(reading: Reading) -> list[str]:
    """The leaves that are neither told nor below an unread place, frame and the rest of wholes aside."""
    assert reading.guest is not None
    told = set(reading.guest.paths)
    unread = {one.path for one in reading.unread} - {str(reading.bundle["resourceType"])}
    parents = {
        parent for path in told if _at(reading.bundle, parent := path.rpartition(".")[0]).keys() <= WHOLE
    }
    missing = []
    for path, _ in _leaves(reading.bundle, str(reading.bundle["resourceType"])):
        names = [step.partition("[")[0] for step in path.split(".")[1:]]
        frame = (
            names[0] in TRANSPORT or set(names) & FRAME or (names[:1] == ["entry"] and names[1] in TRANSPORT)
        )
        pointer = names[-1] in {"reference", "display", "type"} or "reference" in names
        decides = any(name in DECIDES for name in names)
        address = names[-1] == "url" and names[-2].lower().endswith("extension")
        repeats = "text" in names[:-1] and names[-1] in {"status", "div"}
        whole = any(path.startswith(f"{parent}.") for parent in parents)
        if not (
            frame
            or address
            or pointer
            or decides
            or repeats
            or whole
            or path in told
            or _within(path, unread)
        ):
            missing.append(path)
    return missing


@pytest.mark.parametrize("path", FOREIGN, ids=lambda path: path.stem)
def test_every_leaf_is_told_or_named(path: Path) -> None:
    """No leaf of a foreign bundle is passed over in silence."""
    assert _unaccounted(read(_document(path))) == []


@pytest.mark.parametrize("path", FOREIGN, ids=lambda path: path.stem)
def test_nothing_is_both_told_and_named(path: Path) -> None:
    """What the page shows is not on the list of what it does not."""
    reading = read(_document(path))
    assert reading.guest is not None
    unread = {one.path for one in reading.unread} - {"Bundle", "CarePlan"}

    assert [told for told in reading.guest.paths if _within(told, unread)] == []


@pytest.mark.parametrize("path", FOREIGN, ids=lambda path: path.stem)
def test_an_element_nobody_knows_is_named_wherever_it_stands(path: Path) -> None:
    """A new element put into any object is named, or lies within what is (200 places at most)."""
    document = _document(path)
    places = [
        place
        for place in _objects(document, str(document["resourceType"]))
        if not {step.partition("[")[0] for step in place.split(".")} & (FRAME | TRANSPORT)
    ]
    for place in places[:: max(1, len(places) // 200)]:
        changed = copy.deepcopy(document)
        _at(changed, place)["unheardOf"] = "something that matters"
        reading = read(changed)
        unread = {one.path for one in reading.unread} - {"Bundle", "CarePlan"}
        generated = "div" in _at(changed, place)  # a narrative that repeats is passed over whole
        pointer = "reference" in _at(changed, place)
        assert _within(f"{place}.unheardOf", unread) or generated or pointer, place


def _objects(value: Any, path: str) -> Iterator[str]:
    if isinstance(value, dict):
        yield path
        for name, below in value.items():
            yield from _objects(below, f"{path}.{name}")
    elif isinstance(value, list):
        for index, below in enumerate(value):
            yield from _objects(below, f"{path}[{index}]")


def _at(document: Any, path: str) -> Any:
    value = document
    for step in path.split(".")[1:]:
        name, *indices = step.replace("]", "").split("[")
        value = value[name]
        for index in indices:
            value = value[int(index)]
    return value


def test_a_text_that_is_told_stands_on_the_page() -> None:
    """Change any told text of a plan, and the page changes with it: told means shown."""
    document = _document(FOLDER / "foreign" / "inline-details.json")
    reading = read(document)
    assert reading.guest is not None
    before = render(reading, "txt", "clinic")
    texts = [path for path in reading.guest.paths if isinstance(_leaf(document, path), str)]
    shown = [path for path in texts if path.rpartition(".")[2] in {"text", "description", "display", "title"}]
    assert len(shown) > 8
    for path in shown:
        changed = copy.deepcopy(document)
        parent, _, name = path.rpartition(".")
        _at(changed, parent)[name] = "Quite another thing"
        resolved = name == "display" and "reference" in _at(changed, parent)
        assert render(read(changed), "txt", "clinic") != before or resolved, path


def _leaf(document: Any, path: str) -> Any:
    parent, _, name = path.rpartition(".")
    key, *indices = name.replace("]", "").split("[")
    value = _at(document, parent)[key]
    for index in indices:
        value = value[int(index)]
    return value


# ------------------------------------------------------------------ nothing breaks


def _use(document: dict[str, Any]) -> None:
    """Read, render, place and check a document, as every verb does."""
    reading = read(document)
    for reader in READERS:
        page = str(render(reading, "txt", reader))  # type: ignore[arg-type]
        assert "What this page could not read" in page
    assert "What this page could not read" in str(render(reading, "html"))
    with contextlib.suppress(TemplateError):  # there may be no visit to place
        calendar(reading)
    check(document)
    assert _unaccounted(reading) == []


PLANS = [one for one in EXAMPLES if one["resourceType"] == "CarePlan"]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_examples_of_the_standard_shuffled_into_a_bundle_break_nothing(data: st.DataObject) -> None:
    """HL7's examples of all types thrown together, parts struck out at random, with or without a plan."""
    drawn = data.draw(st.lists(st.sampled_from(range(len(EXAMPLES))), min_size=1, max_size=8))
    resources = [copy.deepcopy(EXAMPLES[index]) for index in drawn]
    if data.draw(st.booleans()):
        plan = copy.deepcopy(data.draw(st.sampled_from(PLANS)))
        plan["supportingInfo"] = [
            {"reference": f"{one['resourceType']}/{one['id']}"} for one in resources if "id" in one
        ]
        plan["activity"] = [
            *plan.get("activity", []),
            *({"reference": one} for one in plan["supportingInfo"]),
        ]
        resources.append(plan)
    document = _bundle(resources)
    for _ in range(data.draw(st.integers(0, 6))):
        _strike(document, data)

    _use(document)


JUNK = st.sampled_from(
    [None, "", "x", 0, -1, 10**30, Decimal("1E+400"), True, [], {}, [None], [[]], {"a": 1}]
)


def _strike(document: dict[str, Any], data: st.DataObject) -> None:
    """Take something out of a resource, or put junk in its place."""
    node: Any = data.draw(st.sampled_from(document["entry"])).get("resource")
    while isinstance(node, dict | list) and node:
        keys = (
            [key for key in node if key != "resourceType"]
            if isinstance(node, dict)
            else list(range(len(node)))
        )
        if not keys:
            return
        key = data.draw(st.sampled_from(keys))
        if not isinstance(node[key], dict | list) or data.draw(st.integers(0, 3)) == 0:
            if data.draw(st.booleans()) and isinstance(node, dict):
                del node[key]
            else:
                node[key] = copy.deepcopy(data.draw(JUNK))
            return
        node = node[key]


def test_resources_that_point_in_a_circle_break_nothing() -> None:
    """A role that leads to itself, a device named after itself, sections inside one another."""
    role = {
        "resourceType": "PractitionerRole",
        "id": "r",
        "practitioner": {"reference": "PractitionerRole/r"},
    }
    device = {
        "resourceType": "Device",
        "id": "d",
        "type": {"reference": "Device/d"},
        "deviceName": [{"name": {}}],
    }
    plan = {
        "resourceType": "CarePlan", "id": "c", "status": "active", "intent": "plan",
        "author": {"reference": "PractitionerRole/r"}, "subject": {"reference": "CarePlan/c"},
        "supportingInfo": [{"reference": "Device/d"}], "addresses": [{"reference": "CarePlan/c"}],
        "activity": [{"reference": {"reference": "CarePlan/c"}}],
    }  # fmt: skip
    _use(_bundle([role, device, plan]))
