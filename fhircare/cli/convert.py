"""Turn a bundle or resource of FHIR R4 into R5, or back.

What the other release does not have is kept in FHIR's cross-version extensions, and stands in its own place
again on the way back. A report on standard error says what was kept, and what could not be carried over.

  fhircare convert bundle.json --fhir R5 -o bundle.r5.json
  fhircare convert bundle.json --fhir R5 -o bundle.r5.json --format json 2> report.json

Exit codes: 0 all of it is there (kept in extensions counts), 1 something could not be carried over, 2 the
input or the usage is wrong.
"""

from __future__ import annotations

import json
from collections import Counter
from typing import TYPE_CHECKING

from fhircare.cli.output import note
from fhircare.cli.reading import MAX_BUNDLE, naming
from fhircare.files import STANDARD, read_text, write_whole

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator

    from fhircare.releases import Converted


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    parser.add_argument("bundle", metavar="BUNDLE", help="FHIR bundle or resource; - for standard input")
    parser.add_argument("--fhir", choices=["R4", "R5"], required=True, help="the release it shall be in")
    parser.add_argument(
        "--from", dest="source", choices=["R4", "R5"], help="the release it is in (usual: what tells itself)"
    )
    parser.add_argument("-o", "--output", metavar="FILE", default=STANDARD, help="write it there")
    parser.add_argument(
        "--format", choices=["text", "json"], default="text", help="of the report: for people or machines"
    )


def run(args: argparse.Namespace) -> int:
    """Convert, write and report."""
    from fhircare.bundle import dump, load
    from fhircare.releases import convert

    text = read_text(args.bundle, most=MAX_BUNDLE)
    with naming(args.bundle):
        done = convert(load(text), args.fhir, args.source)
    write_whole(args.output, dump(done.resource).encode())
    note(json.dumps(_data(done), indent=2) if args.format == "json" else "\n".join(_lines(done)))
    return 1 if done.lost else 0


def _data(done: Converted) -> dict[str, object]:
    notes = [{"path": one.path, "outcome": one.outcome, "text": one.text} for one in done.notes]
    return {"from": done.source, "to": done.to, "notes": notes}


def _lines(done: Converted) -> Iterator[str]:
    """Yield the report for people: what was kept, counted by element; what was not, place by place."""
    yield f"{done.source} to {done.to}"
    for element, count in Counter(one.element for one in done.notes if one.element).items():
        yield f"  kept: {element}" + (f" ({count} times)" if count > 1 else "")
    for one in done.lost:
        yield f"  {one.outcome}: {one.path} {one.text}"
    if not done.notes:
        yield "  everything is said by the other release's own elements"
