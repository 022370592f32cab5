"""Approve a plan: it is then in force, and no longer a proposal. For the clinician who answers for it.

A plan that is on hold after a stop is not lifted by approval: log the release, review, then approve the new
plan. What the approval rests on stays in the bundle as Provenance.

  fhircare approve bundle.json --by "Ruth Okafor"
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.cli import bundles
from fhircare.cli.output import note

if TYPE_CHECKING:
    import argparse


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    bundles.output_words(parser)
    parser.add_argument("--by", required=True, metavar="NAME", help="the clinician who approves")
    parser.add_argument("--at", type=bundles.moment, metavar="MOMENT", help="when (usual: now)")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Approve the bundle's plan."""
    from fhircare.follow.keep import approve

    by = args.by.strip()
    if not by:
        args.parser.error("--by names the clinician who approves")
    at = args.at or bundles.now()
    written = bundles.change(args.bundle, args.output, lambda bundle: approve(bundle, by, at))
    note(f"{args.output or args.bundle}: {'approved' if written else 'was approved already'}")
    return 0
