"""Say whether bundles conform to the FHIR specification, and whether their plan is safe to hand out.

Every fault is found in one run, each with its place, its line and how to mend it. No message holds a value
from the file. Names may be files, folders (their .json and .ndjson files) or - for standard input.

  fhircare check bundle.json
  fhircare check folder/ export.ndjson --format json
  fhircare check --coverage

Every profile that a resource claims (meta.profile) is checked when it is held: US Core 8.0.0 and our own come
with us, others from packages on disk, with what they depend on when it lies beside them.

  fhircare check bundle.json --package hl7.fhir.us.core-7.0.0.tgz
  fhircare check patient.json --profile http://hl7.org/fhir/us/core/StructureDefinition/us-core-patient

Exit codes: 0 nothing is an error, 1 errors were found, 2 a file could not be read.
"""

from __future__ import annotations

import json
import sys
from itertools import chain
from typing import TYPE_CHECKING

from fhircare.cli.output import note
from fhircare.errors import InputError
from fhircare.files import STANDARD, inside, open_lines, read_bytes

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterable, Iterator

    from fhircare.check import Against
    from fhircare.spec.packages import Package

MAX_BYTES = 512_000_000
"""One JSON document is held in memory; what is larger belongs into NDJSON, which is not."""

LINES = (".ndjson", ".jsonl")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    parser.add_argument(
        "bundles", nargs="*", metavar="BUNDLE", help="files, folders, or - for standard input"
    )
    parser.add_argument(
        "--format",
        choices=["text", "json", "sarif"],
        default="text",
        help="for people, for machines, for pipelines",
    )
    parser.add_argument(
        "--level",
        choices=["error", "warning", "information"],
        default="information",
        help="the least severity to tell (usual: all)",
    )
    parser.add_argument(
        "--profile",
        action="append",
        default=[],
        metavar="URL",
        help="hold every resource of its type against this profile; url or url|version, may be repeated",
    )
    parser.add_argument(
        "--package",
        action="append",
        default=[],
        metavar="DIR|.tgz",
        help="FHIR package of an implementation guide, to find profiles in; may be repeated",
    )
    parser.add_argument(
        "--fhir",
        choices=["R4", "R5"],
        help="the FHIR release to check as (usual: what each file tells, R4 where nothing does)",
    )
    parser.add_argument("--coverage", action="store_true", help="list every rule and how it is enforced")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Check everything named, and go on past what cannot be read."""
    from fhircare.check.command import Tally, coverage_lines
    from fhircare.check.command import run as check_all

    if args.coverage:
        _write(coverage_lines(args.fhir))
        return 0
    if not args.bundles:
        args.parser.error("name a bundle, a folder, or - for standard input")
    unread: list[InputError] = []
    tally = Tally()
    inputs = _inputs(args.bundles, unread)
    told = check_all(
        inputs, tally, form=args.format, level=args.level, release=args.fhir, against=_against(args)
    )
    _write(told)
    for error in unread:
        note("\n".join(f"fhircare: {line}" for line in str(error).splitlines()))
    return unread[0].exit_code if unread else tally.exit_code


def _against(args: argparse.Namespace) -> Against:
    """Return what is to be held against, its packages read; says what they depend on and lack."""
    from fhircare.check import Against

    packages: list[Package] = []
    if args.package:
        from pathlib import Path

        from fhircare.spec.packages import load_packages

        for name in args.package:
            loaded = load_packages(Path(name))
            packages += loaded.packages
            if loaded.missing:
                note(f"{name}: not beside it, so what they define is not known: {', '.join(loaded.missing)}")
    return Against(args.profile, packages)


def _write(pieces: Iterable[str]) -> None:
    for piece in pieces:
        sys.stdout.write(piece)


def _inputs(names: list[str], unread: list[InputError]) -> Iterator[tuple[str, bytes | Iterable[bytes]]]:
    for name in names:
        try:
            for file in inside([name], (".json", *LINES)):
                yield from _content(file)
        except InputError as error:
            unread.append(error)


def _content(name: str) -> Iterator[tuple[str, bytes | Iterable[bytes]]]:
    if name == STANDARD:
        # One document or one resource a line: a first line that is a whole resource tells.
        stream = open_lines(name)
        first = stream.readline()
        yield (name, chain([first], stream)) if _whole(first) else (name, first + stream.read(MAX_BYTES))
    elif name.endswith(LINES):
        with open_lines(name) as stream:
            yield name, stream
    else:
        yield name, read_bytes(name, most=MAX_BYTES)


def _whole(line: bytes) -> bool:
    try:
        return isinstance(json.loads(line), dict)
    except ValueError:
        return False
