"""Write wear sessions, skin checks and visits as a calendar file (RFC 5545), in the clinic's time zone.

fhircare calendar bundle.json -o plan.ics
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.cli.reading import naming, reading
from fhircare.files import write_whole

if TYPE_CHECKING:
    import argparse


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    parser.add_argument("bundle", metavar="BUNDLE", help="FHIR bundle of a plan; - for standard input")
    parser.add_argument(
        "-o", "--output", metavar="FILE.ics", required=True, help="write it there; - prints it"
    )


def run(args: argparse.Namespace) -> int:
    """Write the calendar."""
    from fhircare.render import calendar

    found = reading(args.bundle)
    with naming(args.bundle):
        text = calendar(found)
    write_whole(args.output, text)
    return 0
