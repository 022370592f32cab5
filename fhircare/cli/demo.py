"""Run the main job on the example records: plan, check, render, calendar. Everybody in them is invented.

For each record: bundle.json, report.json, handout (HTML, PDF, text), letter to the physician and sheet for
the physical therapist (HTML, PDF), plan.ics.

fhircare demo -o build/demo
"""

from __future__ import annotations

import importlib.resources
import json
from pathlib import Path
from typing import TYPE_CHECKING

from fhircare.cli.output import say
from fhircare.cli.reading import planned
from fhircare.errors import Fault, InputError
from fhircare.files import make_folder, write_whole

if TYPE_CHECKING:
    import argparse

    from fhircare.plan import Plan
    from fhircare.render import Form, Reader

PAGES: tuple[tuple[str, Reader, tuple[Form, ...]], ...] = (
    ("handout", "patient", ("html", "pdf", "txt")),
    ("letter", "physician", ("html", "pdf")),
    ("sheet", "therapist", ("html", "pdf")),
)
"""What each is called, who reads it, and as what it is written."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    parser.add_argument("-o", "--output", metavar="FOLDER", default="build/demo", help="write there")
    parser.add_argument("--records", metavar="FOLDER", help="other delivery records (usual: the examples)")
    parser.add_argument("--bundles", metavar="FOLDER", help="write only the bundles, and there")


def run(args: argparse.Namespace) -> int:
    """Run every record the whole way."""
    records = sorted(Path(args.records).glob("*.yaml")) if args.records else examples()
    if not records:
        raise InputError(
            Fault("", "holds no .yaml record", "name another folder"), file=args.records or "examples"
        )
    if args.bundles:
        for path in records:
            _bundle(path, args.bundles)
        return 0
    findings = sum(_whole_way(path, args.output) for path in records)
    say(f"\nAll of it is in {args.output}/. Open a handout: {args.output}/{records[0].stem}/handout.html")
    say("Each plan is a proposal, a draft until a clinician approves it.")
    return 1 if findings else 0


def examples() -> list[Path]:
    """Return the example records: those in the package, or in a checkout beside it."""
    package = Path(str(importlib.resources.files("fhircare")))
    for folder in (package / "records", package.parent / "examples" / "records"):
        if folder.is_dir():
            return sorted(folder.glob("*.yaml"))
    return []


def _bundle(path: Path, folder: str) -> None:
    from fhircare.bundle import dump, to_bundle

    make_folder(folder)
    write_whole(f"{folder}/{path.stem}.json", dump(to_bundle(planned(str(path)))).encode())


def _whole_way(path: Path, folder: str) -> int:
    """Take one record from the file to the handout, and return the number of errors found."""
    from fhircare.bundle import dump, load, read, to_bundle
    from fhircare.check import check
    from fhircare.render import calendar, render

    here = f"{folder}/{path.stem}"
    make_folder(here)
    plan = planned(str(path))
    text = dump(to_bundle(plan)).encode()
    write_whole(f"{here}/bundle.json", text)
    report = check(text)
    write_whole(f"{here}/report.json", json.dumps(report.as_operation_outcome(), indent=2).encode())
    found = read(load(text.decode()))
    for name, reader, forms in PAGES:
        for form in forms:
            page = render(found, form, reader)
            write_whole(f"{here}/{name}.{form}", page if isinstance(page, bytes) else page.encode())
    write_whole(f"{here}/plan.ics", calendar(found))
    say(_summary(path.stem, plan, len(report.issues), ok=report.ok))
    return 0 if report.ok else 1


def _summary(name: str, plan: Plan, findings: int, *, ok: bool) -> str:
    wear, visits = plan.wear, plan.visits
    lines = [f"\n{name}"]
    if wear:
        first, last = wear.days[0], wear.days[-1]
        full = next((day for day in wear.days if any(s.all_day for s in day.sessions)), None)
        lines.append(
            f"  wear    {wear.pace} pace, {first.on:%b %-d} to {last.on:%b %-d}: {first.minutes} min on day 1"
        )
        if full:
            lines[-1] += f", all day from {full.on:%b %-d}"
    if visits:
        lines.append(f"  visits  {len(visits)}, the first on {visits[0].start:%a %b %-d at %-H:%M}")
    lines.append(f"  check   {'conforms' if ok else 'does not conform'}, {findings} findings")
    return "\n".join(lines)
