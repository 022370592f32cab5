"""Every rule of the standard, and how it is enforced. Nothing is left out: what is not enforced says so.

Our own safety rules come last, apart from the standard's.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from fhircare.check import bundles, closure, extensions, hearing, pointers, references, requests, vitals
from fhircare.check.fhirpath.build import inline
from fhircare.check.fhirpath.model import SpecModel
from fhircare.check.fhirpath.overrides import override_of
from fhircare.check.fhirpath.syntax import FhirPathError
from fhircare.check.invariants import ELSEWHERE
from fhircare.check.safety import rules as safety_rules
from fhircare.check.terminology import FORMS
from fhircare.spec import definitions

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.spec import Binding, Constraint, Definitions, Element, Node


class Covered(NamedTuple):
    """One rule, and how it is enforced.

    Attributes:
        rule: Its key, such as ``per-1`` or ``binding.required``.
        severity: ``error`` or ``warning``.
        where: The element it is stated on, such as ``Period``.
        what: What it says.
        how: What enforces it; begins with ``not enforced`` where nothing does.
    """

    rule: str
    severity: str
    where: str
    what: str
    how: str


CODED = {"code", "uri", "Coding", "CodeableConcept", "CodeableReference"}

WALK = (
    ("json.syntax", "error", "the file is JSON, without NaN, Infinity or comments"),
    ("json.encoding", "error", "the file is UTF-8"),
    ("json.number", "error", "no number of more digits than can be read"),
    ("json.duplicate", "error", "no name twice in one object"),
    ("json.depth", "error", "no nesting deeper than can be read"),
    ("json.type", "error", "each element has the JSON type of its FHIR type"),
    ("json.array", "error", "an array where an element repeats, and only there"),
    ("json.empty", "error", "no empty object, array or string"),
    ("json.null", "error", "null only in arrays of primitives, beside an object"),
    ("json.pairing", "error", "an array and its _array have the same length"),
    ("resource.type-missing", "error", "every resource names its type"),
    ("resource.type-unknown", "error", "the type is one of the release"),
    ("resource.type", "error", "a resource of the type that the definition asks for"),
    ("element.unknown", "error", "no element that the definition does not have"),
    ("cardinality.min", "error", "every required element is there"),
    ("choice.several", "error", "one variant of a choice element"),
    ("string.long", "error", "no string of more than 1 MB"),
    ("markdown.html", "warning", "no HTML in markdown"),
    ("uuid.case", "warning", "UUIDs in lower case"),
    ("code.unknown", "warning", "a code that its system has, where the system is held"),
    ("code.form", "error", "SNOMED CT, LOINC, BCP 47, MIME, ISO 4217 and UCUM codes are well formed"),
    ("unit.invalid", "error", "a UCUM unit parses"),
    ("unit.dimension", "error", "the unit of an Age, Duration or Distance measures just that"),
    ("uri.absolute", "error", "a uri that its definition calls absolute is so"),
    ("questionnaire.question", "error", "the question of an enableWhen is an item of the questionnaire"),
    ("codesystem.count", "error", "the count of a complete code system is the number of its concepts"),
    ("coding.system-relative", "error", "the system of a Coding is absolute"),
    ("identifier.system-relative", "error", "the system of an Identifier is absolute"),
    (
        "identifier.uri",
        "error",
        "the value is a whole URI where the system is urn:ietf:rfc:3986",
    ),
    ("extension.url-relative", "error", "the url of an extension is absolute, inside an extension apart"),
    ("attachment.size", "error", "the size of an attachment is that of its data"),
    ("attachment.hash", "error", "the hash of an attachment is that of its data"),
)


def coverage(release: str = "R4") -> list[Covered]:
    """Return every rule of a release with how it is enforced."""
    held = definitions(release)
    found = [Covered(rule, severity, "every resource", what, "the walk") for rule, severity, what in WALK]
    vital = "Observations with the LOINC code of a vital sign"
    found += [Covered(rule, "warning", vital, what, "vitals") for rule, what in vitals.RULES.items()]
    theirs = "extensions that the standard defines"
    found += [Covered(rule, "error", theirs, what, "extensions") for rule, what in extensions.RULES.items()]
    for name in sorted(held.primitive_types):
        definition = held.type(name)
        pattern = definition.regex if definition and definition.regex else "the prose of its type"
        found.append(Covered(f"primitive.{name}", "error", name, f"lexical form: {pattern}", "primitives"))
    for module in (references, pointers, bundles, requests, closure):
        room = module.__name__.rsplit(".", maxsplit=1)[-1]
        for key, rule in sorted(module.RULES.items()):
            found.append(Covered(key, rule.severity, "references and bundles", rule.message, room))
    model = SpecModel(held)
    for name in held.type_names():
        definition = held.type(name)
        if definition is None:
            continue
        for node in definition.nodes.values():
            found += _node(held, model, name, node)
    ours = "plans made by fhircare"
    found.append(Covered(hearing.RULE[0], "warning", f"{ours}, in R5", hearing.RULE[1], "hearing"))
    for key, said in safety_rules().items():
        found.append(Covered(f"safety.{key}", said.severity, ours, said.message, f"safety: {said.source}"))
    return found


def _node(held: Definitions, model: SpecModel, name: str, node: Node) -> Iterator[Covered]:
    """Yield the rules stated on one node: its own invariants, its elements' and their bindings."""
    base = held.type(held.type(name).base) if held.type(name) and "." not in node.id else None  # type: ignore[union-attr]
    inherited = {
        c.key for n in (base.nodes.values() if base else ()) if "." not in n.id for c in n.constraints
    }
    where = name if node.id == name or "." not in node.id else node.id
    for constraint in node.constraints:
        if constraint.key not in inherited:
            yield _invariant(model, constraint, where, node.id)
    for element in node.elements.values():
        for constraint in element.constraints:
            for context in dict.fromkeys(element.node or kind.code for kind in element.names.values()):
                yield _invariant(model, constraint, f"{where}.{element.name}", context)
        if element.binding is not None and element.binding.strength != "example":
            yield _binding(held, element, element.binding, f"{where}.{element.name}")


def _invariant(model: SpecModel, constraint: Constraint, where: str, context: str) -> Covered:
    how = ELSEWHERE.get(constraint.key, "")
    if not how:
        try:
            inline(constraint.expression, context, model)
        except FhirPathError as fault:
            how = f"not enforced: {fault}"
        else:
            override = override_of(constraint.expression, context)
            how = f"FHIRPath, with an override: {override.reason}" if override else "FHIRPath as published"
    return Covered(constraint.key, constraint.severity, where, constraint.human, how)


def _binding(held: Definitions, element: Element, binding: Binding, where: str) -> Covered:
    severity = "error" if binding.strength == "required" else "warning"
    value_set = held.value_set(binding.value_set) if binding.value_set else None
    what = f"{binding.strength}: {binding.value_set or binding.max_value_set}"
    coded = {kind.code for kind in element.names.values()} & CODED
    if not coded:
        how = "not enforced: the element is not coded"
    elif value_set is None or not value_set.known:
        how = "not enforced: the package names this value set and does not hold it"
    else:
        forms = [FORMS.get(system, "any code accepted") for system in sorted(value_set.open)]
        held_codes = len(value_set.codes)
        how = "; ".join([*([f"{held_codes} codes"] if held_codes else []), *forms])
    return Covered(f"binding.{binding.strength}", severity, where, what, how)


def as_lines(rules: list[Covered]) -> Iterator[str]:
    """Yield a table of the rules, one line each, and a last line that counts them."""
    for rule in rules:
        yield f"{rule.rule:<28} {rule.severity:<8} {rule.where}: {rule.what} | {rule.how}\n"
    left_out = sum(rule.how.startswith("not enforced") for rule in rules)
    yield f"{len(rules)} rules, {left_out} not enforced\n"
