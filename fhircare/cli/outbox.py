"""Show what waits to be sent, send what is due, take up what was set aside.

fhircare outbox                 what is in it, and why
fhircare outbox push            send what is due
fhircare outbox retry 12        take parcel 12 up again
fhircare outbox clear --days 30 clear the content of what arrived longer ago; its record stays
"""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import TYPE_CHECKING

from fhircare.cli.meter import progress
from fhircare.cli.output import say
from fhircare.cli.places import (
    destination_words,
    destinations,
    outbox_file,
    outbox_words,
    statements,
)
from fhircare.errors import Fault, InputError

if TYPE_CHECKING:
    import argparse

_DAY = 86_400


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    parser.add_argument("what", nargs="?", choices=["list", "push", "retry", "clear"], default="list")
    parser.add_argument("parcel", nargs="?", type=int, help="for retry: the parcel's number")
    parser.add_argument("--days", type=int, default=30, help="for clear: arrived at least so long ago")
    parser.add_argument("--workers", type=int, default=1, metavar="N", help="plans sent at a time (usual: 1)")
    parser.add_argument(
        "--overwrite", action="store_true", help="replace what others changed there meanwhile"
    )
    parser.add_argument("--format", choices=["text", "json"], default="text", help="for people or machines")
    destination_words(parser)
    outbox_words(parser)
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Do what was asked of the outbox."""
    from fhircare.exchange import Outbox, push

    path = outbox_file(args)
    if args.outbox and not Path(path).exists():
        fault = Fault("", "does not exist", "name the outbox that `fhircare send` was given")
        raise InputError(fault, file=path)
    outbox = Outbox(path)
    try:
        if args.what == "clear":
            count = outbox.clear(before=time.time() - args.days * _DAY, now=time.time())
            say(f"cleared the content of {count} parcels; their record stays")
            return 0
        if args.what == "retry":
            if args.parcel is None:
                args.parser.error("say which parcel: fhircare outbox retry NUMBER")
            _tell(args, [outbox.retry(args.parcel, now=time.time())])
            return 0
        if args.what == "list":
            parcels = outbox.parcels()
            _tell(args, parcels)
            return 1 if any(parcel.state == "set-aside" for parcel in parcels) else 0
        waiting = len(outbox.parcels("waiting"))
    finally:
        outbox.close()
    with progress(waiting, "sending") as done:
        pushed = push(
            path,
            destinations(args),
            workers=args.workers,
            progress=done,
            overwrite=args.overwrite,
            statements=statements(),
        )
    _tell(args, pushed)
    return 0 if all(one.parcel.state == "arrived" for one in pushed) else 1


def _tell(args: argparse.Namespace, found: list) -> None:  # type: ignore[type-arg]
    if not found and args.format == "text":
        say("nothing there")
    for one in found:
        say(json.dumps(one.as_data()) if args.format == "json" else one.as_text())
