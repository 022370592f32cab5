"""Print the JSON Schema of a delivery record: every field, what it means and what it may hold."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from fhircare.files import STANDARD, write_whole

if TYPE_CHECKING:
    import argparse


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    parser.add_argument(
        "-o", "--output", default=STANDARD, metavar="FILE", help="write it there (usual: print it)"
    )


def run(args: argparse.Namespace) -> int:
    """Print the schema."""
    from fhircare.delivery import delivery_schema

    write_whole(args.output, (json.dumps(delivery_schema(), indent=2) + "\n").encode())
    return 0
