"""Through the outbox to a server: put in, send what was put in, say what became of it."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from fhircare.cli.meter import progress
from fhircare.cli.output import note, say
from fhircare.cli.places import destinations, outbox_file, statements
from fhircare.cli.reading import naming

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterable


@dataclass(frozen=True, slots=True)
class Letter:
    """A bundle for a destination."""

    name: str
    """The file it came from, for errors."""
    to: str
    """A destination's name, or an address."""
    body: bytes = field(repr=False)
    pdf: bytes | None = field(default=None, repr=False)
    """The handout, for a server that takes documents only."""


def post(
    args: argparse.Namespace,
    letters: Iterable[Letter],
    *,
    queue_only: bool = False,
    workers: int = 1,
    overwrite: bool = False,
    validate: bool = False,
) -> int:
    """Put letters into the outbox, send them unless told otherwise, and say what became of each.

    Args:
        args: The verb's words: format, outbox and destinations.
        letters: What goes where.
        queue_only: Leave them in the outbox.
        workers: Letters sent at a time.
        overwrite: Replace what others have changed there since the plan was last sent.
        validate: Ask the server's $validate first.

    Returns:
        0 when all arrived or were queued, 1 when something is kept for later or set aside.
    """
    from fhircare.exchange import Outbox, push, queue

    path = outbox_file(args)
    outbox = Outbox(path)
    try:
        parcels = []
        for letter in letters:
            with naming(letter.name):
                parcels.append(queue(outbox, letter.to, letter.body, now=time.time(), pdf=letter.pdf))
    finally:
        outbox.close()
    if queue_only:
        for parcel in parcels:
            say(json.dumps(parcel.as_data()) if args.format == "json" else parcel.as_text())
        return 0
    numbers = frozenset(parcel.id for parcel in parcels)
    with progress(len(numbers), "sending") as done:
        pushed = push(
            path,
            destinations(args),
            only=numbers,
            workers=workers,
            progress=done,
            overwrite=overwrite,
            validate=validate,
            statements=statements(),
        )
    for one in pushed:
        say(json.dumps(one.as_data()) if args.format == "json" else one.as_text())
    left = len(numbers) - sum(one.parcel.state == "arrived" for one in pushed)
    if left:
        note(f"fhircare: {left} of {len(numbers)} not arrived; kept in the outbox (`fhircare outbox`)")
    return 1 if left else 0
