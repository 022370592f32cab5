"""Rules of the standard's prose that belong to one type and are no invariant of its definition.

``EXTRAS[node]`` is (guard, function): the generated checker of the node calls the function when the
guard, a Python expression over ``get`` (the object's members), is true. Each function has the shape of a
checker.
"""

from __future__ import annotations

import binascii
from typing import TYPE_CHECKING, Any

from fhircare.check import terminology
from fhircare.check.primitives import absolute

if TYPE_CHECKING:
    from fhircare.check.path import Path
    from fhircare.check.walk import Walk

UCUM = terminology.UCUM
STANDARD = "http://hl7.org/fhir/StructureDefinition/"
URI_ITSELF = "urn:ietf:rfc:3986"
DATATYPES = "https://hl7.org/fhir/R4/datatypes.html"

# Units that need no look into UCUM's table (a test compares them with it), and those found good since.
USUAL_UNITS = (
    "1 % s min h d wk mo a ms m km cm mm [in_i] [ft_i] [mi_i] g kg mg ug [lb_av] kg/m2 mm[Hg] /min /d m/s "
    "Cel [degF] L mL dL mmol/L mg/dL g/dL {score} {ply} {steps} N W deg"
)
good_codings: set[tuple[Any, Any]] = {(UCUM, unit) for unit in USUAL_UNITS.split()}
good_units: set[tuple[str, Any]] = {("Quantity", unit) for unit in USUAL_UNITS.split()}

# What each quantity must be commensurable with: the definitions of Age, Duration and Distance say so in
# words.
DIMENSIONS = {"Age": ("a", "of time"), "Duration": ("s", "of time"), "Distance": ("m", "of length")}


def coding_extra(o: dict[str, Any], p: Path, w: Walk) -> None:
    """Look closely at a Coding not yet known to be sound."""
    terminology.sound_coding(o, p, w, good_codings)


def unit_extra(kind: str, o: dict[str, Any], p: Path, w: Walk) -> None:
    """Check the unit of a quantity: UCUM must parse, and fit the kind of quantity."""
    from fhircare.spec import units

    code = o.get("code")
    if not isinstance(code, str) or o.get("system") != UCUM:
        return
    unit = units.parse_unit(code)
    link = f"{DATATYPES}#{kind}"
    if unit is None:
        w.say(
            (p, "code"),
            "error",
            "code-invalid",
            "unit.invalid",
            "not a UCUM unit",
            "a unit of https://ucum.org, case sensitive, such as mm, min, d, mm[Hg]",
            link,
        )
        return
    if kind in DIMENSIONS:
        base, words = DIMENSIONS[kind]
        if units.commensurable(code, base) is False:
            w.say(
                (p, "code"),
                "error",
                "code-invalid",
                "unit.dimension",
                f"the unit of {kind} must be one {words}",
                f"a unit commensurable with {base}",
                link,
            )
            return
    if len(good_units) > terminology.MOST_REMEMBERED:
        good_units.clear()
    good_units.add((kind, code))


def quantity_extra(o: dict[str, Any], p: Path, w: Walk) -> None:
    """Check the unit of a Quantity."""
    unit_extra("Quantity", o, p, w)


def age_extra(o: dict[str, Any], p: Path, w: Walk) -> None:
    """Check the unit of an Age."""
    unit_extra("Age", o, p, w)


def duration_extra(o: dict[str, Any], p: Path, w: Walk) -> None:
    """Check the unit of a Duration."""
    unit_extra("Duration", o, p, w)


def distance_extra(o: dict[str, Any], p: Path, w: Walk) -> None:
    """Check the unit of a Distance."""
    unit_extra("Distance", o, p, w)


def extension_extra(o: dict[str, Any], p: Path, w: Walk) -> None:
    """An extension's url is absolute unless inside another; the standard's own are held to theirs."""
    url = o.get("url")
    if not isinstance(url, str) or not url:
        return
    if ":" in url:
        if url.startswith(STANDARD):
            from fhircare.check import extensions

            if extensions.defined(o, p, w):
                return
        w.gathered.extensions.append((p, o, w.scope))
        return
    outer = p[0][0] if p[0] is not None else None  # past the index and the name "extension"
    if outer is not None and outer[0] is not None and outer[0][1] in {"extension", "modifierExtension"}:
        return
    w.say(
        (p, "url"),
        "error",
        "value",
        "extension.url-relative",
        "the url of an extension must be absolute",
        "give the canonical of its definition; only an extension inside an extension may have a bare name",
        "https://hl7.org/fhir/R4/extensibility.html#Extension",
    )


def identifier_extra(o: dict[str, Any], p: Path, w: Walk) -> None:
    """The system of an identifier is absolute; an identifier that is a URI is a whole one."""
    system, value = o.get("system"), o.get("value")
    if system == URI_ITSELF and isinstance(value, str) and not absolute(value):
        w.say(
            (p, "value"),
            "error",
            "value",
            "identifier.uri",
            "with this system, the value must be a whole URI",
            "write the value with its scheme, such as urn:uuid: or urn:oid:, or name another system",
            f"{DATATYPES}#Identifier",
        )
    if isinstance(system, str) and system and not absolute(system):
        w.say(
            (p, "system"),
            "error",
            "value",
            "identifier.system-relative",
            "an identifier's system must be absolute",
            "give the whole URI, such as http://... or urn:oid:...",
            f"{DATATYPES}#Identifier",
        )


def attachment_extra(o: dict[str, Any], p: Path, w: Walk) -> None:
    """The size and hash of an attachment agree with its data."""
    data, size, digest = o.get("data"), o.get("size"), o.get("hash")
    if not isinstance(data, str):
        return
    try:
        content = binascii.a2b_base64("".join(data.split()), strict_mode=True)
    except ValueError:
        return
    link = f"{DATATYPES}#Attachment"
    if isinstance(size, str) and size.isdigit():
        size = int(size)  # an integer64, from R5 on
    if isinstance(size, int) and size != len(content):
        w.say(
            (p, "size"),
            "error",
            "value",
            "attachment.size",
            "the size is not the number of bytes in data",
            f"the size is {len(content)}, before base64",
            link,
        )
    if isinstance(digest, str):
        import hashlib

        made = hashlib.sha1(content).digest()  # noqa: S324 - SHA-1 is FHIR's choice
        if digest.strip() != binascii.b2a_base64(made, newline=False).decode():
            w.say(
                (p, "hash"),
                "error",
                "value",
                "attachment.hash",
                "the hash is not the SHA-1 of data",
                "the SHA-1 of the bytes before base64, in base64",
                link,
            )


def questionnaire_extra(o: dict[str, Any], p: Path, w: Walk) -> None:
    """Each enableWhen asks about an item that is in the questionnaire."""
    items: list[tuple[dict[str, Any], Path]] = []
    waiting: list[tuple[Any, Path]] = [(o, p)]
    while waiting:
        owner, at = waiting.pop()
        inner = owner.get("item")
        if isinstance(inner, list):
            found = [(item, ((at, "item"), i)) for i, item in enumerate(inner) if isinstance(item, dict)]
            items += found
            waiting += found
    links = {item.get("linkId") for item, _ in items if isinstance(item.get("linkId"), str)}
    for item, at in items:
        conditions = item.get("enableWhen")
        for i, condition in enumerate(conditions if isinstance(conditions, list) else ()):
            question = condition.get("question") if isinstance(condition, dict) else None
            if isinstance(question, str) and question and question not in links:
                w.say(
                    (((at, "enableWhen"), i), "question"),
                    "error",
                    "business-rule",
                    "questionnaire.question",
                    "no item of the questionnaire has this linkId",
                    "name the linkId of the item whose answer decides",
                    "https://hl7.org/fhir/R4/questionnaire-definitions.html#Questionnaire.item.enableWhen.question",
                )


def codesystem_extra(o: dict[str, Any], p: Path, w: Walk) -> None:
    """The count of a complete code system is the number of its concepts."""
    count, total = o.get("count"), 0
    if o.get("content") != "complete" or not isinstance(count, int):
        return
    waiting: list[Any] = [o]
    while waiting:
        concepts = waiting.pop().get("concept")
        inner = [c for c in concepts if isinstance(c, dict)] if isinstance(concepts, list) else []
        total += len(inner)
        waiting += inner
    if count != total:
        w.say(
            (p, "count"),
            "error",
            "business-rule",
            "codesystem.count",
            "the count is not the number of concepts of this complete code system",
            f"there are {total}, nested concepts included",
            "https://hl7.org/fhir/R4/codesystem-definitions.html#CodeSystem.count",
        )


def observation_extra(o: dict[str, Any], p: Path, w: Walk) -> None:
    """Hold vital signs to R4's profile of them; most Observations are none."""
    from fhircare.check import vitals

    vitals.observation_extra(o, p, w)


EXTRAS = {
    "Observation": ('"http://loinc.org" in str(get("code"))', "observation_extra"),
    "Questionnaire": ('get("item") is not None', "questionnaire_extra"),
    "CodeSystem": ('get("count") is not None', "codesystem_extra"),
    "Coding": ('(get("system"), get("code")) not in good_codings', "coding_extra"),
    "Quantity": ('get("system") == UCUM and ("Quantity", get("code")) not in good_units', "quantity_extra"),
    "Age": ('get("system") == UCUM and ("Age", get("code")) not in good_units', "age_extra"),
    "Duration": ('get("system") == UCUM and ("Duration", get("code")) not in good_units', "duration_extra"),
    "Distance": ('get("system") == UCUM and ("Distance", get("code")) not in good_units', "distance_extra"),
    "Count": ('get("system") == UCUM and ("Quantity", get("code")) not in good_units', "quantity_extra"),
    "Extension": ('get("url") is not None', "extension_extra"),
    "Identifier": ('":" not in get("system", ":") or get("system") == URI_ITSELF', "identifier_extra"),
    "Attachment": ('get("data") is not None', "attachment_extra"),
}
