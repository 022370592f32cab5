"""The guide to our own profiles, made from their definitions and from the example bundles.

``python -m tests.guide -o docs/guide.md`` writes it (``make guide``); a test holds the committed page to it.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fhircare.bundle.profiles import profile_of
from fhircare.spec import definitions

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.spec import Element, Node, TypeRef

ROOT = Path(__file__).parents[1]
FOLDER = ROOT / "fhircare" / "profiles"
EXAMPLE = "anna-first-locking"
ORDER = (
    "prosthetic-delivery-plan", "break-in-session", "prosthesis-component", "limb-girth", "limb-skin",
    "sock-ply", "day-log-form",
)  # fmt: skip
CORE = "http://hl7.org/fhir/StructureDefinition/"
PUBLISHED = {
    "condition-dueTo": "why the limb was amputated",
    "data-absent-reason": "why something required is not there",
    "flag-detail": "the warning signs that a flag stands for",
    "flag-priority": "how grave a flag is",
    "maxValue": "the highest answer of a question",
    "minValue": "the lowest answer of a question",
    "observation-replaces": "the entry of the log that a correction takes the place of",
    "questionnaire-unit": "the unit of an answer",
    "resource-pertainsToGoal": "the goal that a session serves",
    "timezone": "the clinic's time zone, on its opening hours",
}
"""Extensions of HL7's that our bundles use, and for what; a test holds the list to what is written."""
STANDARD = (
    ("large print wanted", "Flag of category contact"),
    ("a part worn out by", "Device.expirationDate"),
    ("heaviest person, heel height, spares, power, water", "Device.property"),
    ("a warning sign's level, call and limit", "ServiceRequest.orderDetail with parameters, and a Flag"),
    (
        "who decided otherwise than usual, and why",
        "ServiceRequest.orderDetail with parameters",
    ),
    ("the reference height of girths", "Observation.method"),
    ("from which ply on to adjust", "Observation.referenceRange"),
)
"""What one might want an extension for, and the standard element that holds it."""
UNBOUNDED = 10**6

Json = dict[str, Any]


def load(kind: str) -> dict[str, Json]:
    """Return our definitions of a resource type by name, in the order of their files."""
    found = sorted(FOLDER.glob(f"{kind}-*.json"))
    return {path.stem.partition("-")[2]: json.loads(path.read_text("utf-8")) for path in found}


def guide() -> str:
    """Return the page as Markdown."""
    structures = load("StructureDefinition")
    return (
        "\n".join(
            [*_head(structures), *_profiles(structures), *_extensions(structures), *_without(), *_codes()]
        )
        + "\n"
    )


def _head(structures: dict[str, Json]) -> Iterator[str]:
    base = structures[ORDER[0]]["url"].rpartition("/StructureDefinition/")[0]
    yield "# Our own profiles"
    yield ""
    yield "<!-- Made by `make guide` from fhircare/profiles and examples/bundles: change those. -->"
    yield ""
    yield (
        "What a bundle of fhircare holds, as FHIR R4 profiles that any validator can ask. They stand beside "
        "US Core's, which the same resources keep where it has one. All "
        f"canonicals begin with `{base}`."
    )
    yield ""
    yield "| profile | of | what it is |"
    yield "|---|---|---|"
    for name in ORDER:
        one = structures[name]
        yield f"| [{one['title']}](#{_anchor(one['title'])}) | {one['type']} | {_cell(one['description'])} |"
    yield ""
    yield "## Check a bundle against them"
    yield ""
    yield "```sh"
    yield "fhircare check bundle.json                       # what the bundle claims in meta.profile"
    yield f"fhircare check bundle.json --profile {base}/StructureDefinition/{ORDER[0]}"
    yield "```"
    yield ""
    yield (
        "The folder `fhircare/profiles` is a FHIR package, which other validators load as it is. For each "
        "profile, `tests/data/profiles` holds a resource that keeps it and resources that break one rule."
    )
    yield ""
    yield (
        "In the tables, **MS** is must support: fhircare writes the element when it knows it, and reads it "
        "back into the plan. Cardinalities are the profile's own where it sets them, R4's otherwise."
    )
    yield ""


def _profiles(structures: dict[str, Json]) -> Iterator[str]:
    yield "# Profiles"
    yield ""
    for name in ORDER:
        one = structures[name]
        yield f"## {one['title']}"
        yield ""
        yield f"`{one['url']}`, of {one['type']}. {one['description']}"
        yield ""
        yield one["purpose"]
        yield ""
        yield from _table(one)
        yield from _example(name)


def _table(one: Json) -> Iterator[str]:
    yield "| element | card. | type | fixed or bound to | MS | what and why |"
    yield "|---|---|---|---|---|---|"
    named: list[str] = []
    elements = one["differential"]["element"]
    types = {e["path"]: e["type"][0]["code"] for e in elements if "type" in e}
    for element in elements[1:]:
        if "slicing" in element and element.keys() <= {"id", "path", "slicing", "mustSupport"}:
            continue  # only opens a slicing: its slices have rows of their own
        base = _base(element["path"], types)
        name = element["id"].partition(".")[2]
        above = [one for one in named if name.startswith(f"{one}.")]
        named.append(name)
        shown = "&nbsp;&nbsp;" * len(above) + f"`{name[len(max(above, key=len, default='')) :].lstrip('.')}`"
        low = element.get("min", 0 if base is None or ":" in name.rpartition(".")[2] else base.min)
        high = element.get("max") or ("*" if base is None or base.max > UNBOUNDED else str(base.max))
        high = "*" if high.isdigit() and int(high) >= UNBOUNDED else high
        row = (
            shown, f"{low}..{high}", _types(element, base), _bound(element),
            "MS" if element.get("mustSupport") else "", _why(element),
        )  # fmt: skip
        yield f"| {' | '.join(row)} |"
    yield ""


def _base(path: str, types: dict[str, str]) -> Element | None:
    """Return R4's own element at a path, None where the path goes through an extension."""
    held = definitions("R4")
    steps = path.split(".")
    node: Node | None = held.node(steps[0])
    found: Element | None = None
    for index, step in enumerate(steps[1:], 2):
        if node is None or step not in node.elements:
            return None
        found = node.elements[step]
        told = types.get(".".join(steps[:index]))
        kind = told or (found.types[0].code if found.types else "")
        node = held.node(found.node or kind)
    return found


def _types(element: Json, base: Element | None) -> str:
    told = element.get("type")
    if told is None:
        codes = [_type(one) for one in base.types] if base is not None else []
        return ", ".join(codes) or "BackboneElement" if len(codes) < 4 else "any"
    said = []
    for one in told:
        targets = [target.rpartition("/")[2] for target in one.get("targetProfile", [])]
        profiles = [_linked(profile) for profile in one.get("profile", [])]
        inside = ", ".join([*targets, *profiles])
        said.append(f"{one['code']}({inside})" if inside else one["code"])
    return ", ".join(said)


def _type(one: TypeRef) -> str:
    return f"{one.code}({', '.join(sorted(one.targets))})" if one.targets else one.code


def _linked(canonical: str) -> str:
    name = canonical.rpartition("/")[2]
    return f"[{name}](#{name})"


def _bound(element: Json) -> str:
    said = []
    for key, value in element.items():
        if key.startswith("fixed"):
            said.append(f"`{json.dumps(value) if isinstance(value, bool) else value}`")
        elif key.startswith("pattern"):
            said += [f"`{one['code']}` of {one['system'].rpartition('/')[2]}" for one in value["coding"]]
    if "binding" in element:
        binding = element["binding"]
        said.append(f"{_linked_set(binding['valueSet'])} ({binding['strength']})")
    return "; ".join(said)


def _linked_set(canonical: str) -> str:
    name = canonical.rpartition("/")[2]
    return f"[{name}](#{name})"


def _why(element: Json) -> str:
    said = [element.get("short", ""), element.get("requirements", ""), element.get("comment", "")]
    said += [f"{one['key']}: {one['human']}" for one in element.get("constraint", [])]
    return _cell(" ".join(line if line.endswith(".") else f"{line}." for line in said if line))


def _example(name: str) -> Iterator[str]:
    bundle = json.loads((ROOT / "examples" / "bundles" / f"{EXAMPLE}.json").read_text("utf-8"))
    kept = [e["resource"] for e in bundle["entry"] if profile_of(e["resource"]) == name]
    resource = max(kept, key=len)  # the first of those that say most
    shown = {key: _short(value) for key, value in resource.items() if key not in {"meta", "text", "language"}}
    yield f"From `examples/bundles/{EXAMPLE}.json`, without what every resource has:"
    yield ""
    yield "```json"
    yield _written(shown)
    yield "```"
    yield ""


def _short(value: Any) -> Any:
    """Leave out all but the first two of long lists, so that an example can be read."""
    if isinstance(value, dict):
        return {key: _short(below) for key, below in value.items()}
    if isinstance(value, list):
        kept = [_short(one) for one in value[:2]]
        return [*kept, f"... {len(value) - 2} more"] if len(value) > 2 else kept
    return value


def _written(value: Any, indent: int = 0) -> str:
    """Write JSON with what fits on one line on one line."""
    flat = json.dumps(value, ensure_ascii=False)
    if not isinstance(value, dict | list) or len(flat) + indent <= 100:
        return flat
    pad = " " * (indent + 2)
    if isinstance(value, list):
        inside = ",\n".join(pad + _written(one, indent + 2) for one in value)
        return f"[\n{inside}\n{' ' * indent}]"
    lines = (f"{pad}{json.dumps(key)}: {_written(below, indent + 2)}" for key, below in value.items())
    return "{\n" + ",\n".join(lines) + f"\n{' ' * indent}}}"


def _extensions(structures: dict[str, Json]) -> Iterator[str]:
    yield "# Extensions"
    yield ""
    yield "Two, because no standard element and no published extension serves. Each says why."
    yield ""
    for name, one in structures.items():
        if one["type"] != "Extension":
            continue
        values = [e for e in one["differential"]["element"] if e["path"].endswith("value[x]") and "type" in e]
        places = ", ".join(context["expression"] for context in one["context"])
        yield f'<a id="{name}"></a>'
        yield f"## {one['title']}"
        yield ""
        yield f"`{one['url']}`, on {places}. {one['description']}"
        yield ""
        for element in values:
            part = element["id"].partition(":")[2].partition(".")[0]
            kinds = ", ".join(kind["code"] for kind in element["type"])
            yield f"- {f'`{part}`: ' if part else 'Value: '}{kinds}"
        yield ""
        yield f"Why our own: {one['purpose']}"
        yield ""


def _without() -> Iterator[str]:
    yield "## What needs none of ours"
    yield ""
    yield "| what | where |"
    yield "|---|---|"
    yield from (f"| {what} | {where} |" for what, where in STANDARD)
    yield ""
    yield f"HL7's own extensions (`{CORE}...`) serve for the rest:"
    yield ""
    yield "| extension | for |"
    yield "|---|---|"
    yield from (f"| `{name}` | {what} |" for name, what in PUBLISHED.items())
    yield ""


def _codes() -> Iterator[str]:
    yield "# Value sets"
    yield ""
    yield "Where a set takes all codes of a system of ours, the system's codes are told."
    yield ""
    systems = load("CodeSystem")
    by_url = {one["url"]: one for one in systems.values()}
    for name, one in load("ValueSet").items():
        yield f'<a id="{name}"></a>'
        yield f"## {one['title']}"
        yield ""
        yield f"`{one['url']}`. {one['description']}"
        yield ""
        yield "| code | what it is | system |"
        yield "|---|---|---|"
        for include in one["compose"]["include"]:
            concepts = include.get("concept") or by_url[include["system"]]["concept"]
            for concept in concepts:
                yield f"| `{concept['code']}` | {_cell(concept['display'])} | {include['system']} |"
        yield ""


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def _anchor(title: str) -> str:
    kept = "".join(letter for letter in title.lower() if letter.isalnum() or letter in " -")
    return kept.replace(" ", "-")


def main() -> None:
    """Write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("-o", "--output", type=Path, required=True)
    parser.parse_args().output.write_text(guide(), encoding="utf-8")


if __name__ == "__main__":
    main()
