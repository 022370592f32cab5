"""Extensions that the standard itself defines: does their content fit their definition?

https://hl7.org/fhir/R4/extensibility.html. An extension of anybody else is held to the rules for all
extensions only.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.check.words import listed, nearest

if TYPE_CHECKING:
    from fhircare.check.path import Path
    from fhircare.check.walk import Walk
    from fhircare.spec import ExtensionDef

RULES = {
    "extension.value-type": "This extension's definition allows no value of this type.",
    "extension.value-missing": "This extension's definition asks for a value.",
    "extension.part-unknown": "This extension's definition has no part of this name.",
    "extension.part-missing": "A part that this extension's definition asks for is missing.",
    "extension.part-repeats": "This part of the extension may be there once only.",
}


def defined(o: dict[str, Any], p: Path, w: Walk) -> bool:
    """Hold an extension to its definition; returns whether the standard has one for its url."""
    definition = w.definitions.extension(o["url"])
    if definition is None:
        return False
    _value(o, p, w, definition.types, definition.value_required, o["url"])
    inner = o.get("extension")
    if definition.parts:
        _parts(inner if isinstance(inner, list) else [], p, w, definition)
    return True


def _say(place: Path, w: Walk, rule: str, mend: str, link: str) -> None:
    w.say(place, "error", "extension", rule, RULES[rule], mend, link)


def _value(o: dict[str, Any], p: Path, w: Walk, types: frozenset[str], required: bool, link: str) -> None:  # noqa: FBT001
    """The value has one of the types of the definition."""
    written = [key for key in o if key.startswith("value")]
    names = {f"value{kind[:1].upper()}{kind[1:]}" for kind in types}
    for key in written:
        if key not in names:
            mend = f"Use {listed(sorted(names), 4)}." if names else "Put the content into its parts."
            _say((p, key), w, "extension.value-type", mend, link)
    if required and not written and not any(key.startswith("_value") for key in o):
        _say((p, "value"), w, "extension.value-missing", f"Add {listed(sorted(names), 4)}.", link)


def _parts(inner: list[Any], p: Path, w: Walk, definition: ExtensionDef) -> None:
    """The parts are those of the definition, each as often as it may be there."""
    seen: set[str] = set()
    for index, part in enumerate(inner):
        url = part.get("url") if isinstance(part, dict) else None
        if not isinstance(url, str) or ":" in url:
            continue  # another's extension, or no extension at all, which is said elsewhere
        at = ((p, "extension"), index)
        allowed = definition.parts.get(url)
        if allowed is None:
            near = nearest(url, definition.parts) or sorted(definition.parts)
            _say((at, "url"), w, "extension.part-unknown", f"One of: {listed(near)}.", definition.url)
            continue
        types, _, repeats = allowed
        if types:
            _value(part, at, w, types, required=False, link=definition.url)
        if url in seen and not repeats:
            _say(at, w, "extension.part-repeats", "Keep one.", definition.url)
        seen.add(url)
    for url, (_, required, _) in definition.parts.items():
        if required and url not in seen:
            _say((p, "extension"), w, "extension.part-missing", f"Add the part {url}.", definition.url)
