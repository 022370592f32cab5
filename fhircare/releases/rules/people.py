"""People, teams and places: contacts and opening hours, which R5 gives types of their own."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.releases.lens import Lens, listed, renamed

if TYPE_CHECKING:
    from fhircare.releases.table import Json


def _contacts_there(part: Json) -> Json:
    """Say telecom and addresses as contacts for no special purpose, before those that have one."""
    addresses = listed(part.get("address"))
    plain: list[Json] = []
    if "telecom" in part or addresses:
        first = {"telecom": part["telecom"]} if "telecom" in part else {}
        plain = [first | ({"address": addresses[0]} if addresses else {})]
        plain += [{"address": one} for one in addresses[1:]]
    others = [
        {name: [value] if name == "name" else value for name, value in one.items()}
        for one in listed(part.get("contact"))
    ]
    return {"contact": plain + others} if plain + others else {}


def _contacts_back(part: Json) -> Json:
    found: Json = {}
    for one in listed(part.get("contact")):
        if not one.keys() <= {"telecom", "address"}:
            contact = {
                name: value[0] if name == "name" else value
                for name, value in one.items()
                if name not in {"organization", "period"}
            }
            found.setdefault("contact", []).append(contact)
        else:
            found.setdefault("telecom", []).extend(one.get("telecom", ()))
            found.setdefault("address", []).extend([one["address"]] if "address" in one else [])
    return {name: value for name, value in found.items() if value}


_TELECOM = Lens(
    ("telecom",),
    ("contact",),
    lambda part: {"contact": [{"telecom": part["telecom"]}]} if "telecom" in part else {},
    lambda part: {"telecom": found} if (found := _all(part, "contact", "telecom")) else {},
)


def _all(part: Json, name: str, inner: str) -> list[Any]:
    return [one for item in listed(part.get(name)) for one in item.get(inner, ())]


_HOURS = ("availableTime", "notAvailable")


def _hours_there(part: Json) -> Json:
    inside = {theirs: part[mine] for mine, theirs in zip(_HOURS, _AVAILABILITY, strict=True) if mine in part}
    return {"availability": [inside]} if inside else {}


_AVAILABILITY = ("availableTime", "notAvailableTime")


def _hours_back(part: Json) -> Json:
    found = {
        mine: _all(part, "availability", theirs) for mine, theirs in zip(_HOURS, _AVAILABILITY, strict=True)
    }
    return {name: value for name, value in found.items() if value}


_AVAILABLE = Lens(_HOURS, ("availability",), _hours_there, _hours_back)
_OPENING = {"openingTime": "availableStartTime", "closingTime": "availableEndTime"}


def _opening_there(part: Json) -> Json:
    hours = [_with_names(one, _OPENING) for one in listed(part.get("hoursOfOperation"))]
    return {"hoursOfOperation": [{"availableTime": hours}]} if hours else {}


def _opening_back(part: Json) -> Json:
    homeward = {theirs: mine for mine, theirs in _OPENING.items()}
    hours = [_with_names(one, homeward) for one in _all(part, "hoursOfOperation", "availableTime")]
    return {"hoursOfOperation": hours} if hours else {}


def _with_names(body: Json, names: dict[str, str]) -> Json:
    both = names | {f"_{mine}": f"_{theirs}" for mine, theirs in names.items()}
    return {both.get(name, name): value for name, value in body.items()}


def _spoken_there(part: Json) -> Json:
    return {"communication": [{"language": one} for one in listed(part.get("communication"))]}


def _spoken_back(part: Json) -> Json:
    return {"communication": [one["language"] for one in listed(part.get("communication"))]}


NODES: dict[str, str] = {}

RULES: dict[str, tuple[Lens, ...]] = {
    "Organization": (Lens(("telecom", "address", "contact"), ("contact",), _contacts_there, _contacts_back),),
    "PractitionerRole": (_TELECOM, _AVAILABLE),
    "HealthcareService": (_TELECOM, _AVAILABLE),
    "Location": (
        _TELECOM,
        Lens(("hoursOfOperation",), ("hoursOfOperation",), _opening_there, _opening_back),
        renamed("physicalType", "form"),
    ),
    "Practitioner": (Lens(("communication",), ("communication",), _spoken_there, _spoken_back),),
}

CODES: dict[str, dict[str, str]] = {}

FILLS: dict[tuple[str, str], Json] = {}
