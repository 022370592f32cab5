"""The facts that the pages for professionals share: who, which order, which limb, what was delivered."""

from __future__ import annotations

from typing import TYPE_CHECKING

from babel import Locale, UnknownLocaleError

from fhircare.render.view.record import Fact, Table, Teller, joined, with_source

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.plan import Component, Professional
    from fhircare.render.said import Said


def person_facts(tell: Teller) -> tuple[Fact, ...]:
    """Whose plan it is: name, birth date, record numbers, language."""
    patient = tell.plan.patient
    if patient is None:
        return ()
    numbers = [
        tell.text(number.value, f"patient.identifiers[{index}].value")
        for index, number in enumerate(patient.identifiers)
    ]
    facts = [
        tell.fact("name", tell.text(str(patient.name), "patient.name.family")),
        tell.fact("birth-date", tell.date(patient.birth_date, "patient.birth_date")),
        tell.fact("record-number", joined(numbers) if numbers else tell.absent),
        tell.fact("language", _language(tell, patient.language)),
    ]
    if patient.large_print:
        note = tell.words.say("reader.large-print.yes")
        facts.append(tell.fact("large-print", with_source(note, tell.source("patient.large_print"))))
    return tuple(facts)


def _language(tell: Teller, tag: str) -> Said:
    try:
        name = Locale.parse(tag.replace("-", "_")).get_display_name(tell.words.locale)
    except (ValueError, UnknownLocaleError):
        name = None
    return tell.text(name or tag, "patient.language")


def reach_facts(tell: Teller) -> tuple[Fact, ...]:
    """How to reach the person, and who helps at home."""
    patient = tell.plan.patient
    if patient is None:
        return ()
    facts = [
        tell.fact("phone", tell.phone(patient.phone, "patient.phone")),
        tell.fact("email", tell.text(patient.email, "patient.email")),
    ]
    if patient.address is not None:
        facts.append(tell.fact("address", address(tell, "patient.address")))
    helper = patient.caregiver
    if helper is not None:
        parts = [tell.text(str(helper.name), "patient.caregiver.name.family")]
        if helper.relationship:
            parts.append(tell.english(helper.relationship, "patient.caregiver.relationship"))
        if helper.phone:
            parts.append(tell.phone(helper.phone, "patient.caregiver.phone"))
        facts.append(tell.fact("caregiver", joined(parts)))
    return tuple(facts)


def address(tell: Teller, place: str) -> Said:
    """An address in one line."""
    owner = tell.plan.patient if place.startswith("patient") else tell.plan.clinic
    found = owner.address if owner is not None else None
    if found is None:
        return tell.absent
    lines = [tell.text(line, f"{place}.lines[{index}]") for index, line in enumerate(found.lines)]
    town = [("city", found.city), ("state", found.state), ("postal_code", found.postal_code)]
    lines.append(joined([tell.text(text, f"{place}.{name}") for name, text in town if text], " "))
    return joined(lines)


def order_facts(tell: Teller) -> tuple[Fact, ...]:
    """The order that is answered: its number, day, words and diagnosis."""
    order = tell.plan.order
    if order is None:
        return ()
    diagnosis = joined(
        [
            tell.text(order.diagnosis.code, "order.diagnosis.code"),
            tell.english(order.diagnosis.display, "order.diagnosis.display"),
        ],
        " ",
    )
    return (
        tell.fact("order-number", tell.text(order.identifier.value, "order.identifier.value")),
        tell.fact("order-date", tell.date(order.authored_on, "order.authored_on")),
        tell.fact("order-text", tell.english(order.text, "order.text")),
        tell.fact("diagnosis", diagnosis),
    )


def limb_facts(tell: Teller) -> tuple[Fact, ...]:
    """The residual limb as it was at delivery."""
    limb = tell.plan.limb
    if limb is None:
        return ()
    which = [
        tell.code("reader.side", limb.side, "limb.side"),
        tell.code("reader.level", limb.level, "limb.level"),
    ]
    return (
        tell.fact("limb", joined(which)),
        tell.fact("amputated", tell.date(limb.amputated_on, "limb.amputated_on")),
        tell.fact("cause", tell.code("reader.cause", limb.cause, "limb.cause")),
        tell.fact("skin", tell.codes("reader.skin", limb.skin, "limb.skin")),
        tell.fact(
            "sensation", tell.code("reader.sensation", limb.protective_sensation, "limb.protective_sensation")
        ),
    )


def girth_table(tell: Teller) -> Table | None:
    """The circumferences: a row for each height and reference point, a column for each day, oldest first."""
    limb = tell.plan.limb
    if limb is None or not limb.measurements:
        return None
    days = sorted(enumerate(limb.measurements), key=lambda pair: pair[1].on)
    heights: dict[tuple[str, str, str], tuple[Said, ...]] = {}
    found: dict[tuple[tuple[str, str, str], int], Said] = {}
    for column, (index, taken) in enumerate(days):
        reference = tell.english(taken.reference, f"limb.measurements[{index}].reference")
        for number, ring in enumerate(taken.circumferences):
            at = f"limb.measurements[{index}].circumferences[{number}]"
            row = (taken.reference, str(ring.height.value), ring.height.unit)
            heights.setdefault(row, (reference, tell.quantity(ring.height, f"{at}.height")))
            found[row, column] = tell.quantity(ring.girth, f"{at}.girth")
    dash = tell.words.say("reader.dash")
    rows = tuple(
        (
            tell.words.say("reader.below", height=height, reference=reference),
            *(found.get((row, column), dash) for column in range(len(days))),
        )
        for row, (reference, height) in heights.items()
    )
    dates = [
        tell.words.say("reader.on", day=tell.date(taken.on, f"limb.measurements[{i}].on"))
        for i, taken in days
    ]
    return Table(
        caption=tell.words.say("reader.girths"),
        columns=(tell.words.say("reader.height"), *dates),
        rows=rows,
        widths=(100 - 60 // len(days) * len(days), *(60 // len(days) for _ in days)),
    )


def device_facts(tell: Teller) -> tuple[Fact, ...]:
    """The prosthesis as a whole."""
    device = tell.plan.prosthesis
    if device is None:
        return ()
    first = tell.words.say("reader.first.yes" if device.first else "reader.first.no")
    facts = [
        tell.fact("delivered", tell.date(device.delivered_on, "prosthesis.delivered_on")),
        tell.fact("first", with_source(first, tell.source("prosthesis.first"))),
        tell.fact("suspension", tell.code("reader.suspension", device.suspension, "prosthesis.suspension")),
    ]
    if device.identifier is not None:
        number = tell.text(device.identifier.value, "prosthesis.identifier.value")
        facts.append(tell.fact("device-number", number))
    return tuple(facts)


def device_table(tell: Teller, *, limits: bool = True) -> Table | None:
    """Every part delivered: what it is, maker and model, numbers, HCPCS code and, when wanted, its limits."""
    device = tell.plan.prosthesis
    if device is None:
        return None
    columns = (
        ("part", "made-by", "numbers", "hcpcs", "limits")
        if limits
        else ("part", "made-by", "numbers", "hcpcs")
    )
    rows = tuple(_part(tell, part, f"prosthesis.components[{i}]") for i, part in enumerate(device.components))
    return Table(
        caption=tell.words.say("reader.parts"),
        columns=tell.columns(*columns),
        rows=rows if limits else tuple(row[:-1] for row in rows),
        widths=(29, 19, 21, 9, 22) if limits else (36, 26, 29, 9),
    )


def _part(tell: Teller, part: Component, place: str) -> tuple[Said, ...]:
    kind = tell.code("device.kind", part.kind, f"{place}.kind")
    name = [kind, tell.text(part.name, f"{place}.name")]
    if part.count > 1:
        name.append(
            tell.words.say("device.count", n=tell.words.number(part.count, tell.source(f"{place}.count")))
        )
    made = [
        tell.text(text, f"{place}.{field}")
        for field in ("manufacturer", "model")
        if (text := getattr(part, field))
    ]
    numbers = [
        tell.words.say(f"reader.{field}", number=tell.text(text, f"{place}.{field}"))
        for field in ("serial", "lot", "udi")
        if (text := getattr(part, field))
    ]
    return (
        joined(name),
        joined(made) if made else tell.absent,
        joined(numbers) if numbers else tell.absent,
        tell.text(part.hcpcs, f"{place}.hcpcs"),
        joined(_limits(tell, part, place)),
    )


def _limits(tell: Teller, part: Component, place: str) -> Iterator[Said]:
    words, source = tell.words, tell.source
    if part.mass_limit is not None:
        yield words.say("reader.mass-limit", limit=tell.quantity(part.mass_limit, f"{place}.mass_limit"))
    if part.heel_height is not None:
        yield words.say("reader.heel", heel=tell.quantity(part.heel_height, f"{place}.heel_height"))
    if part.liner_kind is not None:
        yield tell.code("reader.liner", part.liner_kind, f"{place}.liner_kind")
    for name, true in (("battery", part.battery), ("water_safe", part.water_safe)):
        if true:
            yield with_source(words.say(f"reader.{name}"), source(f"{place}.{name}"))
    for name, day in (("replace_by", part.replace_by), ("warranty_until", part.warranty_until)):
        if day is not None:
            yield words.say(f"reader.{name}", day=words.date(day, source(f"{place}.{name}"), style="medium"))


def team_table(tell: Teller) -> Table:
    """Who looks after the person, with their numbers and how to reach them."""
    rows = tuple(
        _professional(tell, one, f"professionals[{i}]") for i, one in enumerate(tell.plan.professionals)
    )
    return Table(
        caption=tell.words.say("reader.team"),
        columns=tell.columns("role", "name", "works-at", "phone", "email", "identifiers"),
        rows=rows,
        widths=(13, 19, 20, 16, 20, 12),
    )


def _professional(tell: Teller, one: Professional, place: str) -> tuple[Said, ...]:
    numbers = [
        tell.text(number.value, f"{place}.identifiers[{index}].value")
        for index, number in enumerate(one.identifiers)
    ]
    return (
        tell.code("reader.role", one.role, f"{place}.role"),
        tell.text(str(one.name), f"{place}.name.family"),
        tell.text(one.organization, f"{place}.organization"),
        tell.phone(one.phone, f"{place}.phone"),
        tell.text(one.email, f"{place}.email"),
        joined(numbers) if numbers else tell.absent,
    )
