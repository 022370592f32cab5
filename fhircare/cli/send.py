"""Send plans to a FHIR server, so that sending again changes nothing.

Every plan goes through the outbox: it is kept there until it has arrived, whatever happens on the way. A
server that takes no plans gets the plan as a document, with the handout as PDF inside. R4 and R5 servers get
it in their release. `--dry-run` shows the exact requests and sends nothing.

Without `--to` a revised plan goes everywhere it went before, and its goals with their progress go everywhere
its goals went (`fhircare goals give --to`). Only what has changed since is written there.

  fhircare send bundle.json --to hospital
  fhircare send bundle.json                   # revised since: to all places it went before
  fhircare send plans/ --to https://127.0.0.1:8443/fhir --dry-run

Destinations live in a file, by name:

  [destination.hospital]
  base = "https://fhir.hospital.example/r4"
  auth = "smart"                      # smart, bearer, or none for a server on this machine
  client_id = "our-id-there"
  key_file = "/etc/fhircare/key.pem"  # readable by you alone

Exit codes: 0 all arrived or are queued, 1 something is kept for later or set aside, 2 usage or input,
3 the server.
"""

from __future__ import annotations

import json
from codecs import BOM_UTF8
from typing import TYPE_CHECKING, Any

from fhircare.cli.output import note, say
from fhircare.cli.places import destination_words, destinations, outbox_file, outbox_words, server
from fhircare.cli.posting import Letter, post
from fhircare.cli.reading import MAX_BUNDLE, listened, naming
from fhircare.errors import Fault, InputError
from fhircare.files import inside, open_lines, read_bytes

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator

    from fhircare.exchange import FhirServer

LINES = (".ndjson", ".jsonl")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    parser.add_argument("bundles", nargs="+", metavar="BUNDLE", help="files, folders, or NDJSON of bundles")
    parser.add_argument(
        "--to",
        action="append",
        metavar="NAME|URL",
        help="a destination's name, or an address; again for more (usual: everywhere it went before)",
    )
    parser.add_argument("--dry-run", action="store_true", help="show the exact requests; send nothing")
    parser.add_argument("--queue", action="store_true", help="put it into the outbox only")
    parser.add_argument("--no-pdf", action="store_true", help="leave the handout out of what is kept to send")
    parser.add_argument(
        "--overwrite", action="store_true", help="replace what others changed there meanwhile"
    )
    parser.add_argument("--validate", action="store_true", help="ask the server's $validate first")
    parser.add_argument("--workers", type=int, default=1, metavar="N", help="plans sent at a time (usual: 1)")
    parser.add_argument("--format", choices=["text", "json"], default="text", help="for people or machines")
    destination_words(parser)
    outbox_words(parser)


def run(args: argparse.Namespace) -> int:
    """Queue every plan, then send what was queued."""
    from fhircare.exchange import choose

    known = destinations(args)
    for name in args.to or ():
        choose(name, known)
    nowhere: list[str] = []
    letters = _letters(args, nowhere)
    if args.dry_run:
        _show(args, letters)
        done = 0
    else:
        done = post(
            args,
            letters,
            queue_only=args.queue,
            workers=args.workers,
            overwrite=args.overwrite,
            validate=args.validate,
        )
    for name in nowhere:
        note(f"fhircare: {name}: went nowhere before, and was not sent; name a destination with --to")
    return 1 if nowhere else done


def _letters(args: argparse.Namespace, nowhere: list[str]) -> Iterator[Letter]:
    """Yield what goes where; the names of what has never gone anywhere are put into ``nowhere``.

    Raises:
        InputError: When a single plan has never gone anywhere, and no destination is named.
    """
    for name, came in _bodies(args.bundles):
        with naming(name):
            body = _in_our_spelling(came)
        places = [(to, body) for to in args.to] if args.to else _places(args, name, body)
        if not places and len(args.bundles) == 1 and name == args.bundles[0]:
            raise InputError(
                Fault("--to", "is needed: this plan was sent nowhere before", "name a destination"), file=name
            )
        if not places:
            nowhere.append(name)
        for to, what in places:
            plan = what is body and not (args.no_pdf or args.dry_run)
            yield Letter(name, to, what, _handout(name, body) if plan else None)


def _places(args: argparse.Namespace, name: str, body: bytes) -> list[tuple[str, bytes]]:
    """Return where a plan went before, and where its goals went, each with what goes there now."""
    from fhircare.bundle import dump
    from fhircare.exchange import GOALS, Outbox, give_goals, series

    with naming(name):
        bundle = _loaded(body)
        mine = series(bundle)
    outbox = Outbox(outbox_file(args))
    try:
        plan, goals = outbox.places(mine), outbox.places(mine + GOALS)
    finally:
        outbox.close()
    goals = [place for place in goals if place not in plan]  # a plan brings its goals along
    with naming(name):
        given = dump(give_goals(bundle)).encode() if goals else b""
    return [*((to, body) for to in plan), *((to, given) for to in goals)]


def _show(args: argparse.Namespace, letters: Iterator[Letter]) -> None:
    from fhircare.exchange import Outbox, choose, dry_run, options_for

    known = destinations(args)
    servers: dict[str, FhirServer] = {}
    outbox = Outbox(outbox_file(args))
    try:
        for letter in letters:
            there = servers[letter.to] = servers.get(letter.to) or server(letter.to, args)
            options = options_for(choose(letter.to, known), overwrite=args.overwrite, validate=args.validate)
            with naming(letter.name):
                shown = dry_run(
                    there,
                    _loaded(letter.body),
                    destination=letter.to,
                    options=options,
                    memory=outbox.memory(letter.to),
                )
            say(json.dumps(shown.as_data()) if args.format == "json" else shown.as_text())
    finally:
        outbox.close()


def _bodies(names: list[str]) -> Iterator[tuple[str, bytes]]:
    for name in inside(names, (".json", *LINES)):
        if name.endswith(LINES):
            with open_lines(name) as stream:
                for number, line in enumerate(stream, 1):
                    if line.strip():
                        yield f"{name}:{number}", line
        else:
            yield name, read_bytes(name, most=MAX_BUNDLE).removeprefix(BOM_UTF8)


def _loaded(body: bytes) -> dict[str, Any]:
    from fhircare.bundle import load

    return load(body.decode())


def _in_our_spelling(body: bytes) -> bytes:
    """Return a bundle as it goes into the outbox: in R4's spelling, whatever release the file is in."""
    from fhircare.bundle import dump, load
    from fhircare.bundle.in_force import careplan_in_force

    try:
        told = listened(load(body.decode()))
        careplan_in_force(told.bundle)  # what is no bundle is refused before a server is asked
    except UnicodeDecodeError:
        raise InputError(Fault("", "is not UTF-8", "save it as UTF-8")) from None
    return body if told.bundle is told.came else dump(told.bundle).encode()


def _handout(name: str, body: bytes) -> bytes | None:
    """Return the handout as PDF; None for what holds no plan."""
    from fhircare.bundle import read
    from fhircare.bundle.in_force import careplan_in_force
    from fhircare.render import render

    with naming(name):
        bundle = _loaded(body)
        if careplan_in_force(bundle) is None:
            return None
        page = render(read(bundle), "pdf")
    return page if isinstance(page, bytes) else page.encode()
