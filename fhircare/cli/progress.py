"""Draw how it goes: planned against worn hours, skin findings, ply with its forecast, goals.

The ending of FILE chooses: .html (picture and table on a page of its own), .svg (the picture) or .json.

  fhircare progress bundle.json -o progress.html

Exit codes: 0 written, 2 input or usage.
"""

from __future__ import annotations

import json
from pathlib import PurePath
from typing import TYPE_CHECKING

from fhircare.cli import bundles
from fhircare.cli.reading import bundle, naming
from fhircare.files import STANDARD, write_whole

if TYPE_CHECKING:
    import argparse

FORMS = ("html", "svg", "json")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    parser.add_argument("bundle", metavar="BUNDLE", help="FHIR bundle of a plan with its log")
    parser.add_argument(
        "-o", "--output", required=True, metavar="FILE", help="ending in .html, .svg or .json"
    )
    parser.add_argument("--on", type=bundles.day, metavar="DATE", help="the day that is today (usual: today)")
    parser.add_argument("--language", metavar="TAG", help="of the picture (usual: what the person reads)")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Draw, and write."""
    from fhircare.bundle import read
    from fhircare.bundle.history import revisions
    from fhircare.bundle.in_force import the_careplan
    from fhircare.bundle.logbook import log_of
    from fhircare.bundle.source import Source
    from fhircare.follow.course import as_data, course_of
    from fhircare.follow.picture import svg
    from fhircare.follow.progress_page import page
    from fhircare.render import words_of

    form = "json" if args.output == STANDARD else PurePath(args.output).suffix.lstrip(".").lower()
    if form not in FORMS:
        args.parser.error("the ending of FILE chooses the form: .html, .svg or .json")
    held = bundle(args.bundle)
    with naming(args.bundle, held):
        the_careplan(Source(held))
        course = course_of(revisions(held), log_of(held), args.on or bundles.now().date())
        words = words_of(read(held), "patient", args.language)
    if form == "json":
        text = json.dumps(as_data(course), ensure_ascii=False, indent=2) + "\n"
    elif form == "svg":
        text = svg(course, words)
    else:
        text = page(course, words)
    write_whole(args.output, text.encode())
    return 0
