"""Write the instructions a person reads, from the bundle alone. The ending of FILE chooses html, pdf or txt.

Language and print size follow the bundle (what the person reads, whether they asked for large print) unless
you say otherwise. `--measure` prints how hard the words are to read instead of writing a file.

  fhircare render bundle.json -o patient.pdf
  fhircare render bundle.json -o letter.html --for physician
  fhircare render bundle.json -o letter.json --for physician --as document
  fhircare render bundle.json --measure
"""

from __future__ import annotations

import argparse
import datetime as dt
import re
from pathlib import PurePath
from typing import TYPE_CHECKING, Literal

from fhircare.cli import bundles
from fhircare.cli.output import say
from fhircare.cli.reading import came, read_in
from fhircare.files import STANDARD, write_whole

if TYPE_CHECKING:
    from fhircare.bundle import Reading
    from fhircare.releases import Heard

FORMS: dict[str, Literal["html", "pdf", "txt"]] = {"html": "html", "pdf": "pdf", "txt": "txt"}
READERS = ("patient", "physician", "therapist", "clinic")
TITLES = {
    "patient": "Instructions for the patient",
    "physician": "Letter to the physician",
    "therapist": "Sheet for the physical therapist",
    "clinic": "Clinic record of the plan",
}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    parser.add_argument("bundle", metavar="BUNDLE", help="FHIR bundle of a plan; - for standard input")
    parser.add_argument("-o", "--output", metavar="FILE", help="write it there: .html, .pdf or .txt")
    parser.add_argument("--for", dest="reader", choices=READERS, default="patient", help="who reads it")
    parser.add_argument(
        "--language", metavar="TAG", help="such as en or es (usual: the language the person reads)"
    )
    parser.add_argument(
        "--large-print", action=argparse.BooleanOptionalAction, default=None, help="18 point or more"
    )
    parser.add_argument("--on", type=bundles.day, metavar="DATE", help="the day that is today, YYYY-MM-DD")
    parser.add_argument("--templates", metavar="FOLDER", help="the clinic's own templates, looked into first")
    parser.add_argument(
        "--as",
        dest="fhir",
        choices=["document", "reference"],
        help="write FHIR (.json): a document with the page as PDF in it, or that page's DocumentReference",
    )
    parser.add_argument("--measure", action="store_true", help="print how hard the words are to read")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Render, and write or measure."""
    if args.fhir and not args.output:
        args.parser.error("say where to write: -o FILE.json")
    form = FORMS["html"] if args.measure else FORMS["pdf"] if args.fhir else _form(args)
    from fhircare.render import render

    held = came(args.bundle)
    found = read_in(held, args.bundle)
    if args.fhir and found.guest is not None:
        args.parser.error(
            "--as is for plans of ours: FHIR written from another system's plan would speak in its name; "
            "write .html, .pdf or .txt"
        )
    page = render(
        found,
        form,
        args.reader,
        language=args.language,
        large_print=args.large_print,
        on=args.on,
        clinic_templates=args.templates,
    )
    if args.measure:
        say("\n".join(_measured(str(page))))
        return 0
    content = page if isinstance(page, bytes) else page.encode()
    write_whole(args.output, _as_fhir(args, held, found, content) if args.fhir else content)
    return 0


def _as_fhir(args: argparse.Namespace, held: Heard, found: Reading, page: bytes) -> bytes:
    """Return the page as FHIR, in the file's release: the plan's document with it, or its reference alone."""
    from fhircare.bundle import dump
    from fhircare.bundle.document import as_document, handout_entry, standing_alone, with_handout

    plan = found.plan
    at = plan.written_at or dt.datetime.combine(dt.date.today(), dt.time(), dt.UTC)  # noqa: DTZ011
    language = args.language or (plan.patient.language if args.reader == "patient" and plan.patient else "en")
    entry = handout_entry(
        found.bundle, page, "application/pdf", title=TITLES[args.reader], language=language, at=at
    )
    if args.fhir == "reference":
        return dump(held.returned(standing_alone(found.bundle, entry["resource"]))).encode()
    return dump(held.returned(with_handout(as_document(found.bundle, at=at), entry))).encode()


def _measured(page: str) -> tuple[str, ...]:
    from fhircare.render import measure

    # The page says which language it came out in; it need not be the one that was asked for.
    spoken = re.search(r'<html[^>]*\blang="([^"]+)"', page)
    return measure(page, spoken[1] if spoken else "en").lines()


def _form(args: argparse.Namespace) -> Literal["html", "pdf", "txt"]:
    if not args.output:
        args.parser.error("say where to write: -o FILE, ending in .html, .pdf or .txt")
    ending = "txt" if args.output == STANDARD else PurePath(args.output).suffix.lstrip(".").lower()
    if ending not in FORMS:
        args.parser.error("the ending of FILE chooses the form: .html, .pdf or .txt")
    return FORMS[ending]
