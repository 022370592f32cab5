"""What the verbs that change a bundle share: read it, change it and write it back while nobody else can."""

from __future__ import annotations

import datetime as dt
from argparse import ArgumentTypeError
from typing import TYPE_CHECKING, Any

from fhircare.cli.reading import came, naming
from fhircare.files import locked, write_whole

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable

Json = dict[str, Any]
_EARLIEST, _LATEST = 1900, 2200
"""Years of a day that anybody means; the calendar itself ends at 9999, and sums with it fail."""


def change(name: str, output: str | None, changed: Callable[[Json], Json | None]) -> bool:
    """Change a bundle file under its lock; tell whether anything was written.

    What is written is in the FHIR release that the file was in.

    Args:
        name: The file.
        output: Where the changed bundle goes, None for the same file.
        changed: Takes the bundle in R4's spelling and returns it changed, None for no change; it is then only
            written to another place.

    Raises:
        BundleError: When the file holds no plan.
    """
    from fhircare.bundle import dump
    from fhircare.bundle.in_force import the_careplan
    from fhircare.bundle.source import Source

    with locked(name):
        before = came(name)
        with naming(name, before.bundle):
            the_careplan(Source(before.bundle))
            after = changed(before.bundle)
        if after is None and output in (None, name):
            return False
        written = before.came if after is None else before.returned(after)
        write_whole(output or name, dump(written).encode())
    return after is not None


def day(text: str) -> dt.date:
    """Read a date from the command line."""
    try:
        found = dt.date.fromisoformat(text)
    except ValueError:
        raise ArgumentTypeError("write a date as YYYY-MM-DD") from None
    if not _EARLIEST <= found.year <= _LATEST:
        raise ArgumentTypeError(f"write a date between {_EARLIEST} and {_LATEST}")
    return found


def moment(text: str) -> dt.datetime:
    """Read a moment with its offset from the command line."""
    try:
        found = dt.datetime.fromisoformat(text)
    except ValueError:
        found = None
    if found is None or found.tzinfo is None:
        raise ArgumentTypeError("write a moment with its offset, such as 2026-11-25T20:15:00-06:00")
    return found


def now() -> dt.datetime:
    """Return this moment, to the second, with the offset of this machine."""
    return dt.datetime.now().astimezone().replace(microsecond=0)


def output_words(parser: argparse.ArgumentParser) -> None:
    """Add where the changed bundle goes."""
    parser.add_argument("bundle", metavar="BUNDLE", help="FHIR bundle of a plan")
    parser.add_argument(
        "-o", "--output", metavar="FILE", help="write the changed bundle there (usual: back to BUNDLE)"
    )
