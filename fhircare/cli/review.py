"""Decide what the log so far means for a day, and say why: to the person and to the clinic.

Nothing is changed unless you ask: --apply writes the revised plan back into the bundle, -o into another
file. Less wear takes effect at once; more wear after a stop waits for `fhircare approve`.

A visit that the log asks for goes on a day the clinic is open; into one of its free times with --slots, or
when the bundle holds Slots. What days suit the person is not in the bundle: the clinic confirms the visit.

  fhircare review bundle.json --on 2026-11-19
  fhircare review bundle.json --on 2026-11-19 --apply

Exit codes: 0 the prosthesis may be worn as planned, 1 wear is stopped, 2 input or usage.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from fhircare.cli import bundles
from fhircare.cli.output import note, say

if TYPE_CHECKING:
    import argparse
    import datetime as dt

    from fhircare.delivery import FreeSlot


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    parser.add_argument("bundle", metavar="BUNDLE", help="FHIR bundle of a plan with its log")
    parser.add_argument(
        "--on", type=bundles.day, metavar="DATE", help="the day to decide about (usual: today)"
    )
    parser.add_argument("--format", choices=["text", "json"], default="text", help="for people or machines")
    parser.add_argument("--language", metavar="TAG", help="of the person's part (usual: what they read)")
    parser.add_argument(
        "--slots", metavar="FILE", help="FHIR Slot resources: put a visit in the clinic's free times only"
    )
    parser.add_argument("--apply", action="store_true", help="write the revised plan back into BUNDLE")
    parser.add_argument("-o", "--output", metavar="FILE", help="write the revised bundle there")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Review, say it, and keep the revision where asked."""
    if args.apply and args.output:
        args.parser.error("--apply writes into BUNDLE, -o into another file: choose one")
    on: dt.date = args.on or bundles.now().date()
    found: list[dict[str, Any]] = []
    free: tuple[FreeSlot, ...] = ()
    if args.slots:
        from fhircare.bundle.slots import read_slots
        from fhircare.cli.reading import naming, resources

        given = resources(args.slots)
        with naming(args.slots):
            free = read_slots(given)

    def reviewed(bundle: dict[str, Any]) -> dict[str, Any] | None:
        from fhircare.bundle import read
        from fhircare.follow.keep import follow
        from fhircare.follow.told import told

        followed = follow(bundle, on, free)
        found.append(told(followed, read(bundle), args.language))
        return dict(followed.bundle) if followed.revision else None

    if args.apply or args.output:
        written = bundles.change(args.bundle, args.output, reviewed)
        note(f"{args.output or args.bundle}: {'revised' if written else 'nothing to revise'}")
    else:
        from fhircare.cli.reading import bundle, naming

        held = bundle(args.bundle)
        with naming(args.bundle, held):
            reviewed(held)
    say(json.dumps(found[0], ensure_ascii=False, indent=2) if args.format == "json" else _text(found[0]))
    return 1 if found[0]["stopped_since"] or not found[0]["step"] else 0


def _text(told: dict[str, Any]) -> str:
    patient, clinic = "\n".join(told["patient"]), "\n".join(told["clinic"])
    return f"For the person\n\n{patient}\n\nFor the clinic\n\n{clinic}"
