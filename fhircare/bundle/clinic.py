"""The clinic, both ways.

========================  ==============================================================================
plan.clinic               FHIR
========================  ==============================================================================
name, uri, address        Organization.name, .telecom (system url), .address
identifiers               Organization.identifier, our own left out
phone, after_hours_phone  Organization.contact with purpose opening-hours, after-hours; telecom (phone)
emergency_phone           Organization.contact with purpose emergency; telecom (phone)
email                     Organization.contact with purpose questions; telecom (email)
opening_hours             HealthcareService.availableTime, one each
time_zone                 HL7's ``timezone`` extension on each time; the first is read
closures                  HealthcareService.notAvailable; no reason is said by data-absent-reason
holiday_country, -region  HealthcareService.characteristic public-holidays, coded in ISO 3166
========================  ==============================================================================

Organization.contact has a purpose, so no number needs an extension to say when it is to be used; R5 keeps it.
The first phone and the e-mail stand in Organization.telecom too, where every receiver looks; the contacts are
what is read.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.datatypes import Json, filled
from fhircare.bundle.draft import Draft, says
from fhircare.bundle.identity import is_ours
from fhircare.bundle.located import Node, Read, find, listed, made
from fhircare.plan import Clinic, DateRange, Identifier, OpeningHours
from fhircare.plan.people import Address
from fhircare.spec import terms

if TYPE_CHECKING:
    from fhircare.bundle.source import Source

TIME_ZONE = "http://hl7.org/fhir/StructureDefinition/timezone"
"""HL7's extension pack 5.2.0; its contexts are date, dateTime, instant, time and Meta."""


def write_clinic(draft: Draft) -> None:
    """Add the clinic and its opening hours, when the plan names a clinic."""
    clinic = draft.plan.clinic
    if clinic is None:
        return
    numbers = {
        "opening-hours": fhir.telecom("phone", clinic.phone, "work"),
        "after-hours": fhir.telecom("phone", clinic.after_hours_phone, "work"),
        "emergency": fhir.telecom("phone", clinic.emergency_phone),
        "questions": fhir.telecom("email", clinic.email, "work"),
    }
    organization = draft.add(
        "Organization",
        "clinic",
        filled(
            {
                "identifier": [*fhir.identifiers(clinic.identifiers), _own_identifier(draft)],
                "active": True,
                "name": clinic.name,
                "telecom": numbers["opening-hours"]
                + numbers["questions"]
                + fhir.telecom("url", clinic.uri, "work"),
                "address": fhir.address(clinic.address, "work"),
                "contact": [_contact(purpose, telecom) for purpose, telecom in numbers.items() if telecom],
            }
        ),
        text=says(
            clinic.name,
            ("Phone", clinic.phone),
            ("When closed", clinic.after_hours_phone),
            ("Emergency", clinic.emergency_phone),
            ("E-mail", clinic.email),
        ),
        profile="organization",
    )
    holidays = "-".join(part for part in (clinic.holiday_country, clinic.holiday_region) if part)
    draft.add(
        "HealthcareService",
        "opening-hours",
        filled(
            {
                "identifier": draft.own("opening-hours", lasting=True),
                "active": True,
                "providedBy": organization,
                "type": [fhir.concept("", terms.coding("service-type", "585"))],
                "name": clinic.name,
                "characteristic": [_holidays(holidays)] if holidays else [],
                "availableTime": [_open(hours, clinic.time_zone) for hours in clinic.opening_hours],
                "notAvailable": [_closed(closure) for closure in clinic.closures],
            }
        ),
        text=says(
            f"Opening hours of {clinic.name}",
            *((", ".join(h.days), f"{h.opens:%H:%M} to {h.closes:%H:%M}") for h in clinic.opening_hours),
            ("Time zone", clinic.time_zone),
            *((f"{c.first} to {c.last}", f"closed {c.reason}".strip()) for c in clinic.closures),
            ("Closed on the public holidays of", holidays),
        ),
    )


def _own_identifier(draft: Draft) -> Json:
    return {"system": draft.names.system("part"), "value": "clinic"}


def _contact(purpose: str, telecom: list[Json]) -> Json:
    return {
        "purpose": fhir.term("contact-purpose", purpose, terms.coding("contact-type", "PATINF")),
        "telecom": telecom,
    }


def _open(hours: OpeningHours, zone: str) -> Json:
    marked = {"extension": [fhir.extension(TIME_ZONE, "Code", zone)]}
    return {
        "daysOfWeek": list(hours.days),
        "availableStartTime": hours.opens.isoformat(),
        "_availableStartTime": marked,
        "availableEndTime": hours.closes.isoformat(),
        "_availableEndTime": marked,
    }


def _closed(closure: DateRange) -> Json:
    absent = {"extension": [fhir.extension(fhir.ABSENT, "Code", "unknown")]}
    said = {"description": closure.reason} if closure.reason else {"_description": absent}
    return {**said, "during": fhir.period(closure.first, closure.last)}


def _holidays(place: str) -> Json:
    return fhir.concept(
        f"{terms.display('clinic-fact', 'public-holidays')} {place}",
        terms.coding("clinic-fact", "public-holidays"),
        terms.coding("region" if "-" in place else "country", place),
    )


# ---------------------------------------------------------------------------------------------- reading


def read_clinic(source: Source, organization: Node | None) -> Read[Clinic | None]:
    """Read the clinic from its Organization and the HealthcareService it provides."""
    if organization is None:
        return Read(None)
    services = find(
        source.of_type("HealthcareService"),
        lambda s: s.get("active").value is not False and source.points_to(s.get("providedBy"), organization),
    )
    service = next(iter(services), Node(None, ""))
    zones = [
        time.get("_availableStartTime").extension(TIME_ZONE).text("valueCode")
        for time in service.items("availableTime")
    ]
    country, region = _read_holidays(service)
    return made(
        Clinic,
        name=organization.text("name"),
        uri=organization.telecom("url"),
        phone=_number(organization, "opening-hours").or_else(organization.telecom("phone")),
        after_hours_phone=_number(organization, "after-hours"),
        emergency_phone=_number(organization, "emergency"),
        email=_number(organization, "questions", "email").or_else(organization.telecom("email")),
        address=read_address(organization),
        time_zone=next((zone for zone in zones if zone), Read("")),
        opening_hours=_read_hours(service),
        holiday_country=country,
        holiday_region=region,
        closures=_read_closures(service),
        identifiers=read_identifiers(organization),
    )


def _number(organization: Node, purpose: str, system: str = "phone") -> Read[str]:
    for contact in organization.items("contact"):
        if contact.get("purpose").code_in("contact-purpose").value == purpose:
            return contact.telecom(system)
    return Read("")


def _read_hours(service: Node) -> Read[tuple[OpeningHours, ...]]:
    return listed(
        made(OpeningHours, days=time.texts("daysOfWeek"), opens=opens, closes=closes)
        for time in service.items("availableTime")
        if (opens := time.time("availableStartTime")) and (closes := time.time("availableEndTime"))
    )


def _read_closures(service: Node) -> Read[tuple[DateRange, ...]]:
    return listed(
        made(DateRange, first=first, last=last, reason=closed.text("description"))
        for closed in service.items("notAvailable")
        if (first := closed.get("during").date("start")) and (last := closed.get("during").date("end"))
    )


def _read_holidays(service: Node) -> tuple[Read[str], Read[str]]:
    for fact in service.items("characteristic"):
        if fact.code_in("clinic-fact").value != "public-holidays":
            continue
        region = fact.code_in("region")
        if region:
            return region.then(lambda code: code.partition("-")[0]), region.then(
                lambda code: code.partition("-")[2]
            )
        return fact.code_in("country"), Read("")
    return Read(""), Read("")


def read_identifiers(resource: Node) -> Read[tuple[Identifier, ...]]:
    """Read a resource's identifiers; those that we made ourselves are left out."""
    return listed(
        made(Identifier, system=one.text("system"), value=one.text("value"))
        for one in resource.items("identifier")
        if one.text("system") and one.text("value") and not is_ours(one.get("system").string())
    )


def read_address(resource: Node) -> Read[Address | None]:
    """Read a resource's first address."""
    place = resource.first("address")
    if not place:
        return Read(None)
    return made(
        Address,
        lines=place.texts("line"),
        city=place.text("city"),
        state=place.text("state"),
        postal_code=place.text("postalCode"),
        country=place.text("country"),
    )
