"""Codes: is the one given among those allowed, and does it exist at all?

Bindings (https://hl7.org/fhir/R4/terminologies.html#strength): ``required`` is an error; ``extensible`` and
``preferred`` are warnings, and only where the code's system is one the value set draws on. A system that
cannot be held (SNOMED CT, LOINC, BCP 47, ...) is checked for form, never for being unknown. No finding
repeats the code it is about.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from fhircare.check.words import listed, nearest

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.check.path import Path
    from fhircare.check.report import Severity
    from fhircare.check.walk import Walk

from fhircare.check.primitives import absolute
from fhircare.spec import Binding, ValueSet, definitions

UCUM = "http://unitsofmeasure.org"
SNOMED = "http://snomed.info/sct"
LOINC = "http://loinc.org"
TERMINOLOGIES = "https://hl7.org/fhir/R4/terminologies.html"
SYSTEMS_PAGE = "https://hl7.org/fhir/R4/terminologies-systems.html"
MOST_REMEMBERED = 20000
# What is asked of the codes of systems that cannot be held.
FORMS = {
    "urn:ietf:bcp:47": "language tags by RFC 5646",
    "urn:ietf:bcp:13": "MIME types by their grammar",
    "urn:iso:std:iso:4217": "currencies of ISO 4217",
    SNOMED: "SNOMED CT identifiers by their check digit",
    LOINC: "LOINC codes by their check digit",
    UCUM: "units by UCUM's grammar",
}

Pair = tuple[Any, Any]
NO_SET = ValueSet("", "", {}, frozenset(), known=False)


class Bound:
    """A binding made ready: every allowed (system, code), and those found to be fine so far.

    Attributes:
        binding: The binding itself.
        link: The page that defines the element.
        good: Pairs that need no second look; empty until the first look, then grows by what is let through.
    """

    __slots__ = ("_value_set", "binding", "good", "link", "release")

    def __init__(self, release: str, binding: tuple[str, str, str], link: str) -> None:
        self.release, self.binding, self.link = release, Binding(*binding), link
        self.good: set[Pair] = set()
        self._value_set: ValueSet | None = None

    @property
    def value_set(self) -> ValueSet:
        """Its value set, read at the first look."""
        if self._value_set is None:
            self._value_set = found = definitions(self.release).value_set(self.binding.value_set) or NO_SET
            self.good.update((system, code) for system, codes in found.systems.items() for code in codes)
        return self._value_set

    @property
    def severity(self) -> Severity:
        """How bad it is to be outside."""
        return "error" if self.binding.strength == "required" else "warning"


@cache
def good_codes(release: str, value_set: str) -> set[str]:  # noqa: ARG001 - they are the key
    """Return the bare codes known to be fine for a value set: one set for each, filled when first asked."""
    return set()


def _form_of(system: str) -> Callable[[str], bool] | None:
    """Return the test of form for the codes of a system that cannot be held, None when there is none."""
    if system not in FORMS:
        return None
    if system == UCUM:
        from fhircare.spec.units import parse_unit

        return lambda code: parse_unit(code) is not None
    from fhircare.check import codes

    forms: dict[str, Callable[[str], bool]] = {
        "urn:ietf:bcp:47": codes.language_ok,
        "urn:ietf:bcp:13": codes.mime_ok,
        "urn:iso:std:iso:4217": codes.currency_ok,
        "urn:iso:std:iso:3166": codes.country_ok,
        SNOMED: codes.snomed_ok,
        LOINC: codes.loinc_ok,
    }
    return forms[system]


def form_holds(system: str, code: str) -> bool:
    """Tell whether a code has the form that its system asks for; true where nothing is known of that."""
    form = _form_of(system)
    return form is None or form(code)


def may_be(code: str, url: str, good: set[str], release: str) -> bool:
    """Tell whether a bare code is in a value set, and remember it; generated code asks this of a new one.

    Args:
        code: The code.
        url: The value set's canonical.
        good: The codes known to be in it so far; filled at the first question.
        release: ``R4``.
    """
    value_set = definitions(release).value_set(url)
    if value_set is None or not value_set.known:
        return True
    good.update(value_set.codes)
    if not _may_be(value_set, code):
        return False
    if len(good) < MOST_REMEMBERED:
        good.add(code)
    return True


def _may_be(value_set: ValueSet, code: str) -> bool:
    """Tell whether a bare code may belong to a value set."""
    if code in value_set.codes:
        return True
    for system in value_set.open:
        form = _form_of(system)
        if form is None or form(code):
            return True
    return False


def mend_for(value_set: ValueSet, code: Any, systems: dict[str, tuple[str, ...]] | None = None) -> str:
    """Return what is allowed: the nearest codes, or all of them when they are few."""
    chosen = value_set.systems if systems is None else systems
    codes = [code for found in chosen.values() for code in found]
    if not codes:
        return f"a code of {value_set.name}"
    near = nearest(code, codes) if isinstance(code, str) else []
    head = f"did you mean {' or '.join(near)}? " if near else ""
    return f"{head}Allowed: {listed(codes, 12)}"


def explain_code(binding: Binding, code: str, at: Path, w: Walk, link: str) -> None:
    """Look closely at a ``code`` (or ``uri``) that is bound to a value set."""
    held = w.definitions
    inner = held.value_set(binding.value_set) if binding.value_set else None
    if inner is not None and inner.known and _may_be(inner, code):
        return
    outer = held.value_set(binding.max_value_set) if binding.max_value_set else None
    if outer is not None and outer.known:
        if not _may_be(outer, code):
            w.say(
                at,
                "error",
                "code-invalid",
                "binding.max",
                f"not a code of {outer.name}",
                mend_for(outer, code),
                link,
            )
        return
    if inner is None or not inner.known or binding.strength == "example":
        return
    severity: Severity = "error" if binding.strength == "required" else "warning"
    if severity == "warning" and ":" in code:
        return  # an absolute uri where the set is extensible: another's type
    w.say(
        at,
        severity,
        "code-invalid",
        f"binding.{binding.strength}",
        f"not a code of {inner.name}",
        mend_for(inner, code),
        link,
    )


def concept(v: Any, at: Path, w: Walk, b: Bound) -> None:
    """Check a CodeableConcept against its binding; one coding of the value set is enough."""
    codings = v.get("coding") if v.__class__ is dict else None
    if codings.__class__ is list and codings:
        good = b.good
        try:
            for coding in codings:
                if (coding.get("system"), coding.get("code")) in good:
                    return
        except (AttributeError, TypeError):
            return  # the structure is wrong, and said so
        before = len(w.issues)
        _explain_codings(codings, at, w, b)
        if len(w.issues) == before:
            _remember(codings[0], b)
    elif (
        b.binding.strength == "required"
        and v.__class__ is dict
        and "extension" not in v
        and b.value_set.known
    ):
        w.say(
            at,
            "error",
            "code-invalid",
            "binding.required",
            f"no code where one of {b.value_set.name} is required",
            f"add a coding. {mend_for(b.value_set, None)}",
            b.link,
        )


def coding(v: Any, at: Path, w: Walk, b: Bound) -> None:
    """Check a Coding against its binding."""
    try:
        if (v.get("system"), v.get("code")) in b.good:
            return
    except (AttributeError, TypeError):
        return
    before = len(w.issues)
    _explain_coding(v, at, w, b)
    if len(w.issues) == before:
        _remember(v, b)


def codeable(v: Any, at: Path, w: Walk, b: Bound | None, targets: frozenset[str] | None, before: int) -> None:
    """Check a CodeableReference: its concept against the binding, its reference against the allowed types.

    Args:
        v: The CodeableReference, already checked as a data type.
        at: Its place.
        w: The walk.
        b: The binding of the element, or None.
        targets: Types its reference may lead to; None for any.
        before: How many references the walk had gathered before this element.
    """
    if v.__class__ is not dict:
        return
    if b is not None and "concept" in v:
        concept(v["concept"], (at, "concept"), w, b)
    reference = v.get("reference")
    if targets is not None and reference.__class__ is dict:
        for index in range(before, len(w.references)):
            path, held, _, scope = w.references[index]
            if held is reference:
                w.references[index] = (path, held, targets, scope)


def _remember(coding: dict[str, Any], b: Bound) -> None:
    """Note that a coding outside the value set is no fault, so that it is not looked at again.

    Only for bindings that are not required: there, what else the element holds may matter.
    """
    if b.binding.strength != "required" and len(b.good) < MOST_REMEMBERED:
        b.good.add((coding.get("system"), coding.get("code")))


def _explain_codings(codings: list[dict[str, Any]], at: Path, w: Walk, b: Bound) -> None:
    """None of several codings is plainly in the value set: say where the fault is, if it is one."""
    if not b.value_set.known:
        return
    for one in codings:
        system, code = one.get("system"), one.get("code")
        if (system, code) in b.good:
            return
        if isinstance(system, str) and isinstance(code, str) and _passes(system, code, b):
            return
    if len(codings) == 1 or b.binding.strength != "required":
        for index, one in enumerate(codings):
            _explain_coding(one, ((at, "coding"), index), w, b)
        return
    w.say(
        at,
        b.severity,
        "code-invalid",
        f"binding.{b.binding.strength}",
        f"none of the codings is one of {b.value_set.name}",
        mend_for(b.value_set, codings[0].get("code")),
        b.link,
    )


def _passes(system: str, code: str, b: Bound) -> bool:
    """Tell whether a coding of a system that cannot be held may be in the value set, and remember it."""
    if system not in b.value_set.open:
        return False
    form = _form_of(system)
    if form is not None and not form(code):
        return False
    if len(b.good) < MOST_REMEMBERED:
        b.good.add((system, code))
    return True


def _explain_coding(v: dict[str, Any], at: Path, w: Walk, b: Bound) -> None:
    system, code = v.get("system"), v.get("code")
    value_set, strength, link = b.value_set, b.binding.strength, b.link
    if not value_set.known or (system, code) in b.good:
        return
    rule = f"binding.{strength}"
    if isinstance(system, str) and isinstance(code, str) and _passes(system, code, b):
        return
    if strength != "required" and isinstance(system, str) and w.definitions.code_system(system) is None:
        return  # a system that cannot be held is never said to lack a code
    held = value_set.systems.get(system) if isinstance(system, str) else None
    if held is not None and isinstance(code, str):
        mend = mend_for(value_set, code, {str(system): held})
        w.say((at, "code"), b.severity, "code-invalid", rule, f"not a code of {value_set.name}", mend, link)
        return
    if held is not None or (isinstance(system, str) and system in value_set.open):
        if strength == "required" and "extension" not in v and "_code" not in v:
            mend = mend_for(value_set, None)
            w.say((at, "code"), "error", "code-invalid", rule, f"no code of {value_set.name}", mend, link)
        return
    if strength == "required":
        if system is None and "extension" in v:
            return
        homes = [s for s, codes in value_set.systems.items() if code in codes] or sorted(value_set.systems)
        what = "no system" if system is None else f"not a system of {value_set.name}"
        mend = f"the system is one of: {listed([*homes, *sorted(value_set.open)], 4)}"
        w.say((at, "system"), "error", "code-invalid", rule, what, mend, link)
    elif (
        strength == "extensible" and isinstance(system, str) and w.definitions.code_system(system) is not None
    ):
        w.say(
            at,
            "information",
            "code-invalid",
            rule,
            f"a code outside {value_set.name}",
            "use one of its codes if any fits",
            link,
        )


def sound_coding(v: dict[str, Any], p: Path, w: Walk, good: set[Pair]) -> None:
    """Look closely at any Coding: an absolute system, a code of the right form that the system has."""
    system, code = v.get("system"), v.get("code")
    if not isinstance(system, str):
        return
    if not absolute(system):
        w.say(
            (p, "system"),
            "error",
            "value",
            "coding.system-relative",
            "a code system must be an absolute URI",
            "give the whole URI, such as http://... or urn:oid:...",
            SYSTEMS_PAGE,
        )
        return
    if not isinstance(code, str):
        return
    known = w.definitions.code_system(system)
    if known is not None:
        if code not in known:
            near = nearest(code, known)
            mend = (
                f"did you mean {' or '.join(near)}?"
                if near
                else "use a code of that system, or another system"
            )
            w.say(
                (p, "code"),
                "warning",
                "code-invalid",
                "code.unknown",
                "the system has no such code",
                mend,
                system,
            )
            return
    elif (form := _form_of(system)) is not None and not form(code):
        name = {SNOMED: "SNOMED CT identifier", LOINC: "LOINC code", UCUM: "UCUM unit"}.get(
            system, "code of its system"
        )
        w.say(
            (p, "code"),
            "error",
            "code-invalid",
            "code.form",
            f"not a well-formed {name}",
            "check it for a slip: its check digit or form is wrong",
            SYSTEMS_PAGE,
        )
        return
    if len(good) > MOST_REMEMBERED:
        good.clear()
    good.add((system, code))
