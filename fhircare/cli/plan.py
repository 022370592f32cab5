"""Turn one delivery record (YAML or JSON) into a plan, and write it as one FHIR bundle.

The plan is a proposal: it stays a draft until a clinician approves it. `--explain` prints it as a person
would read it, with the reason for every day; `--chart` draws it.

  fhircare plan record.yaml -o bundle.json
  fhircare plan record.yaml --explain
  fhircare plan record.yaml --common clinic.yaml -o bundle.json
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.cli.output import note, say
from fhircare.cli.reading import planned
from fhircare.files import STANDARD, write_whole

if TYPE_CHECKING:
    import argparse


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    parser.add_argument(
        "record", metavar="RECORD", help="delivery record, YAML or JSON; - for standard input"
    )
    parser.add_argument(
        "--common",
        metavar="RECORD",
        default="",
        help="fields that all records of the clinic share: laid under",
    )
    parser.add_argument("-o", "--output", metavar="BUNDLE", help="write the FHIR bundle there; - prints it")
    parser.add_argument(
        "--fhir", choices=["R4", "R5"], default="R4", help="FHIR release of the bundle (usual: R4)"
    )
    parser.add_argument(
        "--us-core",
        choices=["9.0.0", "8.0.0", "7.0.0", "6.1.0", "none"],
        default="8.0.0",
        help="version of US Core whose profiles the bundle claims (usual: 8.0.0)",
    )
    parser.add_argument(
        "--slots", metavar="FILE", help="FHIR Slot resources: place visits in the clinic's free times only"
    )
    parser.add_argument("--explain", action="store_true", help="print the plan and the reason for every day")
    parser.add_argument("--chart", metavar="FILE.svg", help="draw the wearing schedule")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Plan, then write what was asked for."""
    if not (args.output or args.explain or args.chart):
        args.parser.error("say what to do with the plan: -o BUNDLE, --explain or --chart FILE.svg")
    plan = planned(args.record, slots=args.slots, common=args.common)
    if args.output:
        from fhircare.bundle import dump, to_bundle
        from fhircare.releases import HOUSE, validate_models
        from fhircare.releases import say as said

        bundle = said(to_bundle(plan, us_core=args.us_core), args.fhir)
        if args.fhir != HOUSE:
            validate_models(bundle, args.fhir)
        write_whole(args.output, dump(bundle).encode())
        if args.output != STANDARD:
            note(f"{args.output}: a draft for a clinician to approve")
    if args.chart:
        from fhircare.planner import chart

        write_whole(args.chart, chart(plan).encode())
    if args.explain:
        from fhircare.planner import explain

        say(explain(plan))
    return 0
