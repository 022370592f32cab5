"""Send plans to a FHIR server, so that sending again changes nothing.

Every plan goes through the outbox: it is kept there until it has arrived, whatever happens on the way. A
server that takes no plans gets the plan as a document, with the handout as PDF inside. `--dry-run` shows the
exact requests and sends nothing.

  fhircare send bundle.json --to hospital
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
import time
from typing import TYPE_CHECKING

from fhircare.cli.output import note, say
from fhircare.cli.places import (
    destination_words,
    destinations,
    outbox_file,
    outbox_words,
    progress,
    server,
)
from fhircare.cli.reading import MAX_BUNDLE, naming
from fhircare.files import inside, open_lines, read_bytes

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator

LINES = (".ndjson", ".jsonl")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    parser.add_argument("bundles", nargs="+", metavar="BUNDLE", help="files, folders, or NDJSON of bundles")
    parser.add_argument("--to", required=True, metavar="NAME|URL", help="a destination's name, or an address")
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
    from fhircare.exchange import Outbox, choose, push, queue

    known = destinations(args)
    choose(args.to, known)
    if args.dry_run:
        return _dry_run(args)
    path = outbox_file(args)
    outbox = Outbox(path)
    try:
        parcels = []
        for name, body in _bodies(args.bundles):
            with naming(name):
                pdf = None if args.no_pdf else _handout(name, body)
                parcels.append(queue(outbox, args.to, body, now=time.time(), pdf=pdf))
    finally:
        outbox.close()
    if args.queue:
        for parcel in parcels:
            say(json.dumps(parcel.as_data()) if args.format == "json" else parcel.as_text())
        return 0
    numbers = frozenset(parcel.id for parcel in parcels)
    with progress(len(numbers), "sending") as done:
        pushed = push(
            path,
            known,
            only=numbers,
            workers=args.workers,
            progress=done,
            overwrite=args.overwrite,
            validate=args.validate,
        )
    for one in pushed:
        say(json.dumps(one.as_data()) if args.format == "json" else one.as_text())
    left = len(numbers) - sum(one.parcel.state == "arrived" for one in pushed)
    if left:
        note(f"fhircare: {left} of {len(numbers)} not arrived; kept in the outbox (`fhircare outbox`)")
    return 1 if left else 0


def _dry_run(args: argparse.Namespace) -> int:
    from fhircare.bundle import load
    from fhircare.exchange import Outbox, choose, dry_run, options_for

    there = server(args.to, args)
    options = options_for(
        choose(args.to, destinations(args)), overwrite=args.overwrite, validate=args.validate
    )
    outbox = Outbox(outbox_file(args))
    try:
        for name, body in _bodies(args.bundles):
            with naming(name):
                shown = dry_run(
                    there,
                    load(body.decode()),
                    destination=args.to,
                    options=options,
                    memory=outbox.memory(args.to),
                )
            say(json.dumps(shown.as_data()) if args.format == "json" else shown.as_text())
    finally:
        outbox.close()
    return 0


def _bodies(names: list[str]) -> Iterator[tuple[str, bytes]]:
    for name in inside(names, (".json", *LINES)):
        if name.endswith(LINES):
            with open_lines(name) as stream:
                for number, line in enumerate(stream, 1):
                    if line.strip():
                        yield f"{name}:{number}", line
        else:
            yield name, read_bytes(name, most=MAX_BUNDLE)


def _handout(name: str, body: bytes) -> bytes:
    from fhircare.bundle import load, read
    from fhircare.render import render

    with naming(name):
        page = render(read(load(body.decode())), "pdf")
    return page if isinstance(page, bytes) else page.encode()
