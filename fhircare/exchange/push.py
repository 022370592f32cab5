"""Emptying the outbox with this machine's clock and chance: the outermost function for the command line."""

from __future__ import annotations

import os
import random
import socket
import time
import uuid
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from fhircare.bundle.document import as_document
from fhircare.exchange.client import FhirServer
from fhircare.exchange.destinations import Destination, choose, connect
from fhircare.exchange.outbox import Outbox
from fhircare.exchange.pushing import Pushed, Pusher
from fhircare.exchange.sender import Options
from fhircare.exchange.sending import Limits

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.exchange.statements import Statements


def push(
    path: str,
    destinations: dict[str, Destination],
    *,
    only: frozenset[int] | None = None,
    workers: int = 1,
    progress: Callable[[int], None] = lambda _done: None,
    overwrite: bool = False,
    validate: bool = False,
    statements: Statements | None = None,
) -> list[Pushed]:
    """Send what is due in the outbox.

    Args:
        path: The outbox's file.
        destinations: Those known by name.
        only: Numbers of the parcels to send; None for all that are due.
        workers: Parcels sent at a time; never two of one plan.
        progress: Called with the number of parcels seen to.
        overwrite: Replace what others have changed there since a plan was last sent.
        validate: Ask the server's $validate first.
        statements: What servers said they can do, kept between runs; None to ask each anew.
    """
    place = _place()
    outbox = Outbox(path)
    outbox.release(lambda holder: _gone(holder, place), now=time.time())
    outbox.close()
    pusher = Pusher(
        path,
        lambda name: FhirServer(connect(choose(name, destinations)), statements=statements),
        lambda name: options_for(choose(name, destinations), overwrite=overwrite, validate=validate),
        f"{place} {os.getpid()} {uuid.uuid4().hex[:8]}",
        time.time,
        time.sleep,
        random.random,
        progress,
    )
    return pusher.run(only=only, workers=workers)


def options_for(destination: Destination, *, overwrite: bool = False, validate: bool = False) -> Options:
    """Return how plans are sent to a destination."""
    return Options(
        mode=destination.mode,
        limits=Limits(destination.entries_at_once, destination.conditional_at_once),
        overwrite=overwrite,
        validate=validate,
        document=as_document,
    )


def _place() -> str:
    """Return the machine, and within it the process numbering (containers have their own)."""
    numbering = ""
    with suppress(OSError):
        numbering = str(Path("/proc/self/ns/pid").readlink())
    return f"{socket.gethostname()}/{numbering}"


def _gone(holder: str, place: str) -> bool:
    """Return whether a holder was a process of this machine that runs no more; False when unsure."""
    where, _, rest = holder.partition(" ")
    number = rest.partition(" ")[0]
    if os.name != "posix" or where != place or not number.isdigit():
        return False
    try:
        os.kill(int(number), 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False
