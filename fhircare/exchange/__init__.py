"""Bundle ↔ FHIR servers: plans out, orders in, goals both ways.

::

    server = FhirServer(connect(destination))            # a Destination, read from the destinations file
    send(server, bundle)                                 # -> SendReport; again: nothing new
    dry_run(server, bundle)                              # -> DryRun: the exact requests

    outbox = Outbox(path)                                # SQLite
    queue(outbox, "hospital", bundle_as_bytes, now=...)  # -> Parcel
    push(path, destinations)                             # -> [Pushed, ...]

    intake(order_from_server(server, order="12"), written_at=...)   # -> Intake: a delivery record begun
    move(server, "Task/3", "accepted", at=...)                      # closes the loop
    take_goals(bundle, goals, source=...)                # -> Taken: merged, conflicts listed
    give_goals(bundle)                                   # -> the goals with their progress

Nothing here prints; reports are values with ``as_text`` and ``as_data``.
"""

from __future__ import annotations

from fhircare.exchange.client import FhirServer
from fhircare.exchange.destinations import Destination, choose, connect, read_destinations
from fhircare.exchange.entries import GOALS, series
from fhircare.exchange.giving import as_ndjson, give_goals
from fhircare.exchange.goals import Taken, take_goals
from fhircare.exchange.intake import Intake, intake
from fhircare.exchange.memory import ShortMemory
from fhircare.exchange.orders import Referral, order_from_data, order_from_server
from fhircare.exchange.outbox import Outbox
from fhircare.exchange.parcel import Parcel
from fhircare.exchange.push import options_for, push
from fhircare.exchange.pushing import Pushed, Pusher, queue
from fhircare.exchange.report import DryRun, SendReport
from fhircare.exchange.sender import Options, dry_run, send
from fhircare.exchange.statements import Statement, Statements
from fhircare.exchange.tasks import move, open_tasks
from fhircare.exchange.therapist import goals_at

__all__ = [
    "GOALS",
    "Destination",
    "DryRun",
    "FhirServer",
    "Intake",
    "Options",
    "Outbox",
    "Parcel",
    "Pushed",
    "Pusher",
    "Referral",
    "SendReport",
    "ShortMemory",
    "Statement",
    "Statements",
    "Taken",
    "as_ndjson",
    "choose",
    "connect",
    "dry_run",
    "give_goals",
    "goals_at",
    "intake",
    "move",
    "open_tasks",
    "options_for",
    "order_from_data",
    "order_from_server",
    "push",
    "queue",
    "read_destinations",
    "send",
    "series",
    "take_goals",
]  # fmt: skip
