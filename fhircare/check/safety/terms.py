"""Codes, names and units: what people read beside a code is what the code says."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.check.safety.names import NAMES
from fhircare.check.safety.raw import OURS, text

if TYPE_CHECKING:
    from fhircare.check.gather import Gathered, ResourceScope
    from fhircare.check.path import Path
    from fhircare.check.safety.held import Held
    from fhircare.check.safety.raw import Json

# Concepts whose text is a sentence of its own: details, tasks, what names the limb or the holidays too.
_OWN_WORDS = {
    OURS + name for name in ("limb-level", "clinic-fact", "care-task", "advice", "warning-sign", "wear-rule")
}
_LEAVES = {"text", "identifier", "occurrenceTiming"}
_PLANNERS = {"care-task", "advice", "warning-sign", "wear-rule"}
_SENTENCES = {"orderDetail", "code"}
_LISTING = {"ValueSet"}
_NO_NAMES: dict[str, str] = {}
_UCUM = "http://unitsofmeasure.org"
# The clinic words the diagnosis.
_FREE = {"http://hl7.org/fhir/sid/icd-10-cm"}
_OWN_WORDS |= {
    *_FREE,
    "http://snomed.info/sct",
    "http://terminology.hl7.org/CodeSystem/data-absent-reason",
}


def check_terms(held: Held) -> None:
    """Check every code of the plan's parts: its name, the text beside it, and the unit of every amount."""
    if _all_right(held.gathered):
        return
    for one in held.parts:
        if _sound(one.resource):
            continue
        for name, value in one.resource.items():
            if name not in _LEAVES and isinstance(value, dict | list):
                _walk(held, value, (one.path, name), words=name == "orderDetail" or one.type == "Flag")


def _all_right(gathered: Gathered) -> bool:
    """Tell at a glance that all names in the file are right; False when in doubt.

    The walk has gathered every code of a faultless file, but for a value set's own (``_LISTING``).
    """
    return (
        gathered.faultless
        and all(scope.type not in _LISTING for scope in gathered.resources)
        and all(
            _right(one, one["code"])
            for one in gathered.codings
            if "system" in one and type(one.get("code")) is str
        )
        and all(
            "coding" not in concept or _is_sentence(path, scope) or _named(concept)
            for path, concept, scope in gathered.concepts
        )
    )


def _is_sentence(path: Path, scope: ResourceScope) -> bool:
    """Tell whether a concept is a request's detail or a Flag's code: its text is a sentence and no name."""
    if path[1] == "code":
        return scope.type == "Flag" and scope.kind == "entry" and path[0] is scope.path
    return path[0] is not None and path[0][1] == "orderDetail"


def _sound(resource: Json) -> bool:
    """Tell quickly, without keeping places, that all names in a resource are right; False when in doubt."""
    waiting: list[Any] = [resource]
    while waiting:
        node = waiting.pop()
        if type(node) is not dict:
            waiting += node if type(node) is list else ()
            continue
        code = node.get("code")
        if type(code) is str and "system" in node:
            if not _right(node, code):
                return False
            continue
        for name, value in node.items():
            kind = type(value)
            if (kind is not list and kind is not dict) or name in _LEAVES:
                continue
            if name in _SENTENCES and (name == "orderDetail" or node is resource):
                waiting += _inside(value, name, resource)
            elif kind is dict:
                waiting.append(value)
            else:
                waiting += value
        if "text" in node and "coding" in node and not _named(node):
            return False
    return True


def _right(node: Json, code: str) -> bool:
    """Tell whether a Coding or a Quantity with a code names it right."""
    if "value" in node:
        return bool(node.get("unit", code) == code and node["system"] == _UCUM)
    system = text(node, "system")
    free, names = NAMES.get(system) or (_open(system), _NO_NAMES)
    name = names.get(code)
    if name is None:
        return free or not system.startswith(OURS)
    return bool(node.get("display", name) == name)


def _inside(value: Any, name: str, resource: Json) -> list[Any]:
    """Return what to look at in a detail or a Flag's code, whose text is a sentence and no name."""
    if name == "code" and resource.get("resourceType") != "Flag":
        return [value]
    concepts = value if type(value) is list else [value]
    known = [one for one in concepts if type(one) is dict]
    return [inner for one in known for key, inner in one.items() if key != "text"]


def _named(concept: Json) -> bool:
    """Tell whether a concept's text is a name of its code, or may be a sentence."""
    codings = concept["coding"]
    first = codings[0] if type(codings) is list and codings else None
    system, said = text(first, "system"), concept["text"]
    if system not in NAMES or system in _OWN_WORDS:
        return True
    return any(said == text(coding, "display") for coding in codings)


def _walk(held: Held, node: Any, path: Path, *, words: bool) -> None:
    """Go through everything; ``words`` where a concept's text is a sentence and no name."""
    if isinstance(node, list):
        for index, one in enumerate(node):
            if isinstance(one, dict | list):
                _walk(held, one, (path, index), words=words)
        return
    if "system" in node and "code" in node:
        _coded(held, node, path)
        return
    if "coding" in node and "text" in node and not words:
        _text(held, node, path)
    for name, value in node.items():
        if isinstance(value, dict | list):
            _walk(held, value, (path, name), words=words and name != "extension")


def _coded(held: Held, node: Json, path: Path) -> None:
    """A Coding, or a Quantity: both have a system and a code."""
    system, code = text(node, "system"), text(node, "code")
    if "value" in node:
        if node.get("unit", code) != code or system != _UCUM:
            held.say("twice.unit", (path, "unit"))
        return
    free, names = NAMES.get(system, (_open(system), {}))
    name = names.get(code)
    if name is None and not free and system.startswith(OURS):
        held.say("twice.code", (path, "code" if system in NAMES else "system"))
    elif name is not None and system not in _FREE and node.get("display", name) != name:
        held.say("twice.display", (path, "display"))


def _open(system: str) -> bool:
    """Tell whether a system takes codes that the table does not list: others' systems, and the planner's."""
    return not system.startswith(OURS) or system[len(OURS) :] in _PLANNERS


def _text(held: Held, concept: Json, path: Path) -> None:
    said, codings = text(concept, "text"), concept["coding"]
    if not isinstance(codings, list):
        return
    system = text(codings[0], "system") if codings else ""
    shown = [text(coding, "display") for coding in codings]
    if said and system in NAMES and system not in _OWN_WORDS and said not in shown and any(shown):
        held.say("twice.display", (path, "text"))
