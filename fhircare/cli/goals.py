"""Take a therapist's goals over into a plan, and give the plan's goals with their progress.

  fhircare goals take goals.json --into bundle.json
  fhircare goals take hospital --into bundle.json --prefer theirs
  fhircare goals give bundle.json -o goals.ndjson
  fhircare goals give bundle.json --to therapist

Goals are merged by identifier and version. Where two set different targets for one measure both stay and the
conflict is listed, until `--prefer` settles it. `--to` sends through the outbox, as `fhircare send` does;
from then on `fhircare send bundle.json` sends what has changed to all places its plan and goals went before.

Exit codes: 0 settled or arrived, 1 conflicts or refused goals are left, or something is kept for later.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fhircare.cli import bundles
from fhircare.cli.output import note, say
from fhircare.cli.places import destination_words, destinations, outbox_words, server
from fhircare.cli.reading import bundle, came, naming, resources
from fhircare.errors import Fault, InputError
from fhircare.files import STANDARD, write_whole

if TYPE_CHECKING:
    import argparse


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    parser.add_argument("what", choices=["take", "give"], help="take goals over, or give them")
    parser.add_argument("source", metavar="SOURCE", help="take: a file or a server; give: the plan's bundle")
    parser.add_argument("--into", metavar="BUNDLE", help="take: the plan's bundle")
    parser.add_argument("--prefer", choices=["theirs", "ours"], help="take: whose goal to keep in a conflict")
    parser.add_argument("-o", "--output", metavar="FILE", help="write there (take: usual is over --into)")
    parser.add_argument("--to", action="append", metavar="NAME|URL", help="give: send there; again for more")
    parser.add_argument("--format", choices=["text", "json"], default="text", help="for people or machines")
    destination_words(parser)
    outbox_words(parser)
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Take or give goals."""
    return _take(args) if args.what == "take" else _give(args)


def _take(args: argparse.Namespace) -> int:
    if args.to:
        args.parser.error("--to is for giving; taken are goals from SOURCE")
    if not args.into:
        args.parser.error("say which plan takes them: --into BUNDLE")
    from fhircare.exchange import Taken, take_goals

    # Gathered before the file is locked; standard input can be read once only.
    gathered = None if args.into == STANDARD else _came(args, bundle(args.into))
    found: list[Taken] = []

    def merged(plan: dict[str, Any]) -> dict[str, Any] | None:
        theirs, name = gathered or _came(args, plan)
        taken = take_goals(plan, theirs, source=name, prefer=args.prefer)
        found.append(taken)
        return taken.bundle if any(change.outcome != "unchanged" for change in taken.changes) else None

    bundles.change(args.into, args.output, merged)
    (taken,) = found
    text = json.dumps(taken.as_data()) if args.format == "json" else taken.as_text()
    (note if args.output == STANDARD else say)(text)
    return 0 if taken.settled else 1


def _came(args: argparse.Namespace, plan: dict[str, Any]) -> tuple[list[dict[str, Any]], str]:
    from fhircare.exchange import goals_at

    if args.source == STANDARD or Path(args.source).exists():
        return resources(args.source), Path(args.source).name
    if "://" not in args.source and args.source not in destinations(args):
        fault = Fault("", "is neither a file nor a destination known", "check the name")
        raise InputError(fault, file=args.source)
    there = server(args.source, args)
    with naming(args.into):
        return goals_at(there, plan), there.base


def _give(args: argparse.Namespace) -> int:
    from fhircare.bundle import dump
    from fhircare.exchange import as_ndjson, give_goals

    plan = came(args.source)
    with naming(args.source, plan.bundle):
        given = give_goals(plan.bundle)
    if args.to:
        return _send(args, dump(given).encode())
    output, given = args.output or STANDARD, plan.returned(given)  # in the release the file is in
    lines = output.endswith((".ndjson", ".jsonl"))
    write_whole(output, as_ndjson(given) if lines else dump(given).encode())
    return 0


def _send(args: argparse.Namespace, given: bytes) -> int:
    from fhircare.cli.posting import Letter, post
    from fhircare.exchange import choose

    known = destinations(args)
    for name in args.to:
        choose(name, known)
    return post(args, [Letter(args.source, to, given) for to in args.to])
