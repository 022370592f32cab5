"""The picture of the course on a page that stands alone: whom to call, cautions, every number in a table."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from fhircare.errors import TemplateError
from fhircare.follow.picture import found, svg

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.follow.course import Course, CourseDay
    from fhircare.render.words import Words

_STYLE = (
    "body{font:1rem/1.5 Verdana,'DejaVu Sans',sans-serif;color:#1c1c1c;background:#fff;max-width:70rem;"
    "margin:auto;padding:1rem}svg{max-width:100%;height:auto}table{border-collapse:collapse}"
    "th,td{border:1px solid #1c1c1c;padding:.2rem .6rem;text-align:left}.scroll{overflow-x:auto}"
)


def page(course: Course, words: Words) -> str:
    """Return the page.

    Args:
        course: The course.
        words: The reader's words.

    Raises:
        TemplateError: When the plan names no phone to call.
    """
    title = str(
        words.say(
            "progress.title",
            number=words.text(course.plan.number),
            revision=words.number(course.plan.revision),
        )
    )
    head = "".join(
        f'<th scope="col">{escape(str(words.say(f"progress.head.{name}")))}</th>'
        for name in ("day", "planned", "worn", "found", "morning", "evening")
    )
    rows = "".join(f"<tr>{''.join(_row(course, day, words))}</tr>" for day in course.days)
    picture, every = (escape(str(words.say(f"progress.{name}"))) for name in ("picture", "every-day"))
    return (
        f'<!DOCTYPE html>\n<html lang="{escape(words.tag)}"><head><meta charset="utf-8">'
        f"<title>{escape(title)}</title>"
        f'<meta name="viewport" content="width=device-width, initial-scale=1"><style>{_STYLE}</style></head>'
        f"<body><main><h1>{escape(title)}</h1>{''.join(_cautions(course, words))}"
        f'<div class="scroll" tabindex="0" role="region" aria-label="{picture}">{svg(course, words)}</div>'
        f'<h2>{every}</h2><div class="scroll" tabindex="0" role="region" aria-label="{every}">'
        f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div></main></body></html>\n"
    )


def _row(course: Course, day: CourseDay, words: Words) -> Iterator[str]:
    yield f'<th scope="row">{escape(str(words.date(day.on, style="short")))}</th>'
    logged = day.logged
    for number in (day.planned, logged.worn if logged else None):
        yield _cell(number)
    yield f"<td>{escape(found(course, day, words))}</td>"
    for number in (logged.ply_morning if logged else None, logged.ply_evening if logged else None):
        yield _cell(number)


def _cautions(course: Course, words: Words) -> Iterator[str]:
    """Yield when to stop, whom to call, and that the clinicians decide."""
    clinic = course.plan.clinic
    if clinic is None or not clinic.phone:
        raise TemplateError("the bundle names no phone to call — add it to the clinic")
    phone = words.phone(clinic.phone)
    said = []
    if course.plan.stopped_since is not None:
        waiting = "-waiting" if course.plan.status == "draft" else ""
        since = words.date(course.plan.stopped_since)
        said.append(words.say(f"caution.stopped{waiting}", day=since, phone=phone))
    elif course.plan.status == "draft":
        said.append(words.say("caution.draft"))
    said += [
        words.say("caution.stop", phone=phone),
        words.say("caution.emergency", emergency=words.phone(clinic.emergency_phone)),
        words.say("progress.caution"),
        words.say("caution.first"),
    ]
    if words.language.tag != words.english.tag and not words.language.reviewed_by:
        said.append(words.say("caution.unreviewed"))
    if course.plan.synthetic:
        said.append(words.say("caution.synthetic"))
    yield from (f"<p><strong>{escape(str(line))}</strong></p>" for line in said)
    numbers = [
        (clinic.name, clinic.phone),
        (str(words.say("progress.call.closed")), clinic.after_hours_phone),
        (str(words.say("progress.call.emergency")), clinic.emergency_phone),
    ]
    rows = (
        f"<li>{escape(name)}: <strong>{escape(number)}</strong></li>" for name, number in numbers if number
    )
    yield f"<ul>{''.join(rows)}</ul>"


def _cell(number: int | None) -> str:
    return f"<td>{'' if number is None else number}</td>"
