"""Approve a plan: it is then in force, and no longer a proposal. For the clinician who answers for it.

--by is a name or an identifier (an NPI, or SYSTEM|VALUE) of somebody in the plan's care team; the approval
then refers to their Practitioner in the bundle, as Provenance with the time. Somebody who is not in the care
team is added to it with --new, --role, and --npi or --identifier.

This records who is said to have approved. It does not prove it: fhircare knows no passwords and signs
nothing. Let only those run it who may approve, and keep who ran it where you keep such things.

A plan that is on hold after a stop is not lifted by approval: log the release, review, then approve the new
plan.

  fhircare approve bundle.json --by "Ruth Okafor"
  fhircare approve bundle.json --by "Lena Voss" --new --role physician --npi 1234567893
"""

from __future__ import annotations

from typing import TYPE_CHECKING, get_args

from fhircare.cli import bundles
from fhircare.cli.output import note

if TYPE_CHECKING:
    import argparse


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    from fhircare.plan import Role

    bundles.output_words(parser)
    parser.add_argument("--by", required=True, metavar="NAME", help="the clinician who approves")
    new = parser.add_argument_group("somebody who is not in the care team yet")
    new.add_argument("--new", action="store_true", help="add the clinician to the care team")
    new.add_argument("--role", choices=get_args(Role), help="what they are")
    new.add_argument("--npi", default="", metavar="NUMBER", help="US National Provider Identifier")
    new.add_argument("--identifier", default="", metavar="SYSTEM|VALUE", help="another identifier")
    new.add_argument("--phone", default="", metavar="NUMBER", help="where to reach them")
    parser.add_argument("--at", type=bundles.moment, metavar="MOMENT", help="when (usual: now)")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Approve the bundle's plan."""
    from fhircare.follow.keep import approve

    by = args.by.strip()
    if not by:
        args.parser.error("--by names the clinician who approves")
    if args.new != bool(args.role) or (not args.new and (args.npi or args.identifier or args.phone)):
        args.parser.error("--new goes with --role, and with --npi or --identifier")
    new = None
    if args.new:
        from fhircare.follow.clinician import added

        new = added(by, args.role, npi=args.npi, identifier=args.identifier, phone=args.phone)
    at = args.at or bundles.now()
    written = bundles.change(args.bundle, args.output, lambda bundle: approve(bundle, by, at, new=new))
    note(f"{args.output or args.bundle}: {'approved' if written else 'was approved already'}")
    return 0
