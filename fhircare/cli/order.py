"""Begin a delivery record from a physician's order, and close the loop with its task.

  fhircare order order.json -o record.yaml
  fhircare order --from hospital --order 12 -o record.yaml
  fhircare order --from hospital --patient "https://hospital.example/mrn|4711" -o record.yaml
  fhircare order --from hospital --task Task/3 --move accepted
  fhircare order --from hospital --task Task/3 --move completed --plan CarePlan/9

What is known is filled in; what is missing is listed in plain words. Nothing is guessed.
"""

from __future__ import annotations

import datetime as dt
import json
from typing import TYPE_CHECKING, Any

from fhircare.cli.output import note, say
from fhircare.cli.places import destination_words, server
from fhircare.cli.reading import naming, record, resources
from fhircare.files import STANDARD, write_whole

if TYPE_CHECKING:
    import argparse

    from fhircare.exchange import Referral


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    parser.add_argument("file", nargs="?", metavar="FILE", help="a bundle or NDJSON that holds the order")
    parser.add_argument("--from", dest="source", metavar="NAME|URL", help="the server that holds the order")
    parser.add_argument(
        "--order", default="", metavar="ID", help="the order's id, or such as ServiceRequest/12"
    )
    parser.add_argument(
        "--patient", default="", metavar="WHO", help="Patient/ID, or an identifier SYSTEM|VALUE"
    )
    parser.add_argument("--clinic", metavar="RECORD", help="a delivery record to take the clinic's part from")
    parser.add_argument(
        "-o", "--output", default=STANDARD, metavar="FILE", help="write the record there (YAML)"
    )
    parser.add_argument(
        "--format", choices=["text", "json"], default="text", help="YAML, or JSON with the list"
    )
    parser.add_argument("--task", metavar="Task/ID", help="the task that tracks the order")
    parser.add_argument(
        "--move", metavar="STATE", help="move it: received, accepted, in-progress, completed …"
    )
    parser.add_argument("--reason", default="", metavar="TEXT", help="why, where the state needs one")
    parser.add_argument(
        "--plan", default="", metavar="CarePlan/ID", help="for completed: the plan that came of it"
    )
    destination_words(parser)
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Begin a record, or move a task."""
    if bool(args.file) == bool(args.source):
        args.parser.error("name a FILE that holds the order, or a server with --from")
    if args.task or args.move:
        return _move(args)
    from fhircare.exchange import intake

    clinic = _clinic(args.clinic) if args.clinic else None
    now = dt.datetime.now().astimezone().isoformat(timespec="seconds")
    begun = intake(_referral(args), written_at=now, clinic=clinic)
    text = json.dumps(begun.as_data(), indent=2) + "\n" if args.format == "json" else begun.as_yaml()
    write_whole(args.output, text.encode())
    for field, what in begun.missing:
        note(f"missing: {field} - {what}")
    return 0


def _referral(args: argparse.Namespace) -> Referral:
    from fhircare.exchange import order_from_data, order_from_server

    if args.source:
        return order_from_server(server(args.source, args), order=args.order, patient=args.patient)
    found = resources(args.file)
    with naming(args.file, found[0]):
        return order_from_data(found, order=args.order)


def _move(args: argparse.Namespace) -> int:
    if not (args.source and args.task and args.move):
        args.parser.error("to move a task say where (--from), which (--task) and to what (--move)")
    from fhircare.exchange import move

    now = dt.datetime.now().astimezone().isoformat(timespec="seconds")
    gone = move(server(args.source, args), args.task, args.move, at=now, reason=args.reason, output=args.plan)
    say(f"{args.task}: " + (" → ".join(gone) if gone else f"was {args.move} already"))
    return 0


def _clinic(file: str) -> dict[str, Any]:
    from pydantic import TypeAdapter

    from fhircare.plan import Clinic

    clinic: dict[str, Any] = TypeAdapter(Clinic).dump_python(record(file).clinic, mode="json")
    return {key: value for key, value in clinic.items() if value not in (None, "", [], ())}
