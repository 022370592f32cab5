"""Codes held against the bindings of a profile, as far as the code systems are held here.

https://hl7.org/fhir/R4/terminologies.html#strength. Outside a *required* value set is an error, outside an
*extensible* one a warning, outside a *preferred* one worth knowing. A code of a system that is not held is
never said to be wrong. That it could not be told is said once for each required value set that is not held;
where only its code system is not (LOINC, SNOMED CT), it is said when somebody asks for the profile by name.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.check.terminology import UCUM, form_holds, mend_for

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.check.path import Path
    from fhircare.check.profiles.library import Library
    from fhircare.check.profiles.tree import Also
    from fhircare.check.profiles.visit import Item, Visit
    from fhircare.check.report import Severity
    from fhircare.check.walk import Env
    from fhircare.spec import ValueSet

CODED = frozenset(
    {"code", "Coding", "CodeableConcept", "CodeableReference", "Quantity", "string", "uri", "Duration", "Age"}
)
SEVERITY: dict[str, Severity] = {
    "required": "error", "extensible": "warning", "preferred": "information", "max": "error",
    "current": "information",
}  # fmt: skip
UNSURE, UNTOLD = "unsure", "untold"
"""What is found where a code cannot be judged: that goes without saying, or is to be said."""
MOST_KEPT = 10_000
"""How many codes are remembered for a binding."""

Binding = tuple[str, str, str]


def member(value_set: ValueSet | None, system: Any, code: Any) -> bool | None:
    """Tell whether a code is in a value set; None when that cannot be told here.

    Args:
        value_set: The set, None when it is not held.
        system: The code's system, "" when a Coding names none; None for a bare code.
        code: The code.
    """
    if value_set is None or not value_set.known:
        return None
    if not isinstance(code, str) or isinstance(system, dict | list):
        return False
    if system is None:
        if code in value_set.codes:
            return True
        return None if any(form_holds(one, code) for one in value_set.open) else False
    if code in value_set.systems.get(system, ()):
        return True
    if system in value_set.open:
        return None if form_holds(system, code) else False
    # An open "system" that is the canonical of a set not held may stand for any system.
    return None if any("/ValueSet/" in one for one in value_set.open) else False


def bound(binding: Binding, item: Item, v: Visit) -> None:
    """Hold a coded value against a binding."""
    value_set, found = outcome(binding, item.value, item.kind, v.library)
    if value_set is not None:
        _say(value_set, SEVERITY[found], found, item, v)
    elif found:
        v.unsure = True
        if found == UNTOLD:
            v.library.untold(binding[1], item.path, v)


def also_bound(also: Also, found: list[Item], v: Visit) -> None:
    """Hold items against an additional binding, which one of them must keep.

    https://hl7.org/fhir/R5/valueset-additional-binding-purpose.html. *Required* (and *maximum*) is an error,
    *extensible* a warning, *preferred* worth knowing. So is *current*: new records are to use the set, old
    ones need not, and a resource does not tell which it is. Nor does it tell whether it is in a context of
    use, so a binding for some contexts only is never more than worth knowing.

    As with *extensible*, nothing is said of another's code under *current*: where none of the set fits, new
    records have no other, and US Core 9.0.0 says *extensible* where 8.0.0 said *current*, "to match intent"
    (its change notes, FHIR-55688).
    """
    purpose, url, _, where = also
    told = [outcome((purpose, url, ""), item.value, item.kind, v.library) for item in found]
    if any(value_set is None and not problem for value_set, problem in told):
        return
    value_set = told[0][0]
    if any(one is None for one, _ in told) or value_set is None:
        v.unsure = True
        if not where and any(one == UNTOLD for _, one in told):
            v.library.untold(url, found[0].path, v)
        return
    path, code = _place(found[0])
    of = "one code" if len(found) > 1 else "a code"
    message = f"{{profile}} asks for {of} of {value_set.name}"
    if purpose == "current":
        message = f"{{profile}} asks new records for {of} of {value_set.name}"
    if where:
        message += f", where {where}"
    severity = "information" if where else SEVERITY[purpose]
    v.say(path, severity, "code-invalid", f"profile.binding.{purpose}", message, mend_for(value_set, code))


def outcome(binding: Binding, value: Any, kind: str, library: Library) -> tuple[ValueSet | None, str]:
    """Return the value set that a value is outside of, though it should not be, and the strength.

    None and ``UNSURE`` or ``UNTOLD`` when it cannot be told; None and "" when nothing is wrong.
    """
    if kind not in CODED:
        return None, ""  # of a choice with several types, the binding is about the coded ones
    strength, url, outermost = binding
    if outermost:
        outer = library.value_set(outermost)
        if outer is not None and _verdict(outer, value, kind) is False:
            return outer, "max"
    value_set = library.value_set(url)
    told = _verdict(value_set, value, kind)
    if told is None:
        held = value_set is not None and value_set.known
        return None, UNTOLD if strength == "required" and (library.thorough or not held) else UNSURE
    if told or value_set is None or strength not in SEVERITY:
        return None, ""
    if strength != "required" and not _of_its_systems(value_set, value, kind):
        return None, ""  # another's code, or words alone: allowed where none of the set fits
    return value_set, strength


def silent(binding: Binding, kind: str, profile: str, library: Library) -> Callable[[Any, Env], bool]:
    """Return the test that ``bound`` would say nothing of a value; it remembers the codes it was asked of."""
    remembered = _remembering(binding, kind, library)

    def ask(value: Any, _env: Env) -> bool:
        found = remembered(value)
        return not found or found == UNSURE or (found == UNTOLD and library.is_untold(binding[1], profile))

    return ask


def within(binding: Binding, kind: str, library: Library) -> Callable[[Any, Env], bool | None]:
    """Return the test that a value keeps a binding, with an answer of None when that cannot be told."""
    remembered = _remembering(binding, kind, library)

    def ask(value: Any, _env: Env) -> bool | None:
        found = remembered(value)
        return None if found in {UNSURE, UNTOLD} else SEVERITY.get(found) != "error"

    return ask


def _remembering(binding: Binding, kind: str, library: Library) -> Callable[[Any], str]:
    """Return what finds the second part of the outcome, and looks up the same codes once."""
    known: dict[Any, str] = {}

    def ask(value: Any) -> str:
        key = _key(value, kind)
        found = known.get(key) if key is not None else None
        if found is None:
            _, found = outcome(binding, value, kind, library)
            if key is not None and len(known) < MOST_KEPT:
                known[key] = found
        return found

    return ask


def _key(value: Any, kind: str) -> Any:
    """Return all that the outcome depends on: a code, or code and system; None for what is rarer."""
    if value.__class__ is str:
        return value
    if value.__class__ is not dict or kind == "CodeableReference":
        return None
    codings = value.get("coding")
    if kind == "CodeableConcept":
        if codings.__class__ is not list or len(codings) != 1 or codings[0].__class__ is not dict:
            return None
        value = codings[0]
    elif codings is not None:
        return None
    system, code = value.get("system"), value.get("code")
    return (system, code) if system.__class__ is str and code.__class__ is str else None


def _say(value_set: ValueSet, severity: Severity, strength: str, item: Item, v: Visit) -> None:
    path, code = _place(item)
    message = f"{{profile}} asks for a code of {value_set.name}"
    v.say(path, severity, "code-invalid", f"profile.binding.{strength}", message, mend_for(value_set, code))


def _place(item: Item) -> tuple[Path, Any]:
    """Return the place to name, and the code there: of a single coding its code, else the element."""
    value, path = item.value, item.path
    if not isinstance(value, dict):
        return path, value
    codings = value.get("coding")
    if isinstance(codings, list) and len(codings) == 1 and isinstance(codings[0], dict):
        coding = codings[0]
        return ((((path, "coding"), 0), "code") if "code" in coding else path), coding.get("code")
    if "code" in value:
        return (path, "code"), value["code"]
    return path, None


def _verdict(value_set: ValueSet | None, value: Any, kind: str) -> bool | None:
    """Tell whether a value is in a value set; one coding of several is enough."""
    if value is None:
        return True  # extensions stand in for the value
    if kind in {"CodeableConcept", "CodeableReference"}:
        concept = value.get("concept") if kind == "CodeableReference" and isinstance(value, dict) else value
        if concept is None:
            return True
        codings = concept.get("coding") if isinstance(concept, dict) else None
        if not isinstance(codings, list) or not codings:
            return True if isinstance(concept, dict) and "extension" in concept else _without(value_set)
        told = [
            member(value_set, one.get("system", ""), one.get("code"))
            for one in codings
            if isinstance(one, dict)
        ]
        return True if True in told else None if None in told else False
    if kind == "Coding":
        return (
            member(value_set, value.get("system", ""), value.get("code")) if isinstance(value, dict) else True
        )
    if isinstance(value, dict):
        if "code" not in value:
            return None  # a quantity without a coded unit: cardinality asks for it, not the binding
        return member(value_set, value.get("system", UCUM), value.get("code"))
    return member(value_set, None, value)


def _of_its_systems(value_set: ValueSet, value: Any, kind: str) -> bool:
    """Tell whether a code is of a system that the value set draws on, so that a slip is likely."""
    if not isinstance(value, dict):
        return True
    codings = value.get("coding", [] if kind == "CodeableConcept" else [value])
    used = (
        [one.get("system") for one in codings if isinstance(one, dict)] if isinstance(codings, list) else []
    )
    return any(one in value_set.systems or one in value_set.open for one in used if isinstance(one, str))


def _without(value_set: ValueSet | None) -> bool | None:
    """Tell what a concept without any coding is: outside any value set that is known."""
    return False if value_set is not None and value_set.known else None
