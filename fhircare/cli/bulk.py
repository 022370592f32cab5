"""Plan, check or render many at once, on all processors, in memory that does not grow; go on after a kill.

  fhircare bulk plan records/ -o out               a folder of delivery records: out/bundles/
  fhircare bulk plan clinic.csv --common clinic.yaml -o out
  fhircare bulk check export/ -o out --format json a FHIR Bulk Data export: out/findings.ndjson
  fhircare bulk render out/bundles -o pages --for patient --format pdf
  fhircare bulk columns -o clinic.csv              a table's columns; without -o, what each may hold

SOURCE is a folder, or a file: .yaml, .json, NDJSON (.ndjson, .jsonl; one record, bundle or resource a line),
for plan a table (.csv, .tsv; one record a row), and any of these packed (.gz). One broken line never stops
the run. DIR keeps a journal: the same command again goes on where a killed run ended, does anew what has
changed, and takes away what was made of sources that are gone. DIR/report.ndjson has a line for each item.

Exit codes: 0 all went well, 1 some failed or have errors, 2 nothing could be done, 130 stopped by Ctrl-C.
"""

from __future__ import annotations

import functools
import hashlib
import json
import signal
import time
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare import __version__
from fhircare.bulk import (
    CheckJob,
    Columns,
    Crashed,
    Item,
    Journal,
    PlanJob,
    RenderJob,
    Row,
    Spread,
    Tally,
    at_most,
    findings,
    report_line,
    row_of,
    usual_workers,
)
from fhircare.bulk.report import place
from fhircare.cli.bundles import day
from fhircare.cli.many import RECORDS, TABLES, Kinds, Sources
from fhircare.cli.meter import meter, span
from fhircare.cli.output import say
from fhircare.cli.reading import MAX_BUNDLE, naming
from fhircare.cli.render import READERS
from fhircare.errors import Fault, FhircareError, OutputError
from fhircare.files import (
    below,
    locked,
    make_folder,
    read_bytes,
    read_text,
    remove,
    size_of,
    sweep,
    write_pieces,
    write_whole,
)

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator

    from fhircare.bulk import Job
    from fhircare.cli.meter import Meter

JOURNAL = "journal.sqlite3"
REPORT = "report.ndjson"
SUMMARY = "summary.json"
FINDINGS = {"text": "findings.txt", "json": "findings.ndjson", "sarif": "findings.sarif"}

_MOST_TOLD = 20
_MOST_LEANED_ON = 512_000_000
_LONGEST = 86_400
_CHUNK_ITEMS, _CHUNK_BYTES = 256, 256_000


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    parser.add_argument("what", choices=["plan", "check", "render", "columns"])
    parser.add_argument("source", nargs="?", metavar="SOURCE", help="a folder or a file")
    parser.add_argument("-o", "--output", metavar="DIR", help="write there (columns: a file with a top line)")
    parser.add_argument("--workers", type=int, metavar="N", help="processes (usual: one a processor)")
    parser.add_argument("--timeout", type=float, default=600, metavar="SECONDS",
                        help="give an item up after so long; 0 for never (usual: 600)")  # fmt: skip
    parser.add_argument("--anew", action="store_true", help="forget what an earlier run did in DIR")
    parser.add_argument(
        "--format", help="check: text, json or sarif (usual: text); render: pdf, html or txt (usual: pdf)"
    )
    plan = parser.add_argument_group("plan")
    plan.add_argument("--common", metavar="RECORD", help="fields that are the same in all rows of a table")
    plan.add_argument("--packed", action="store_true", help="write bundles as .json.gz, a tenth of the size")
    plan.add_argument("--us-core", choices=["9.0.0", "8.0.0", "7.0.0", "6.1.0", "none"], default="8.0.0",
                      help="version of US Core whose profiles the bundles claim (usual: 8.0.0)")  # fmt: skip
    parser.add_argument("--fhir", choices=["R4", "R5"],
                        help="plan: release of the bundles (usual: R4); check: as which")  # fmt: skip
    check = parser.add_argument_group("check")
    check.add_argument("--profile", action="append", default=[], metavar="URL",
                       help="hold every resource of its type against it; may be repeated")  # fmt: skip
    check.add_argument("--package", action="append", default=[], metavar="DIR|.tgz",
                       help="FHIR package to find profiles in; may be repeated")  # fmt: skip
    check.add_argument("--level", choices=["error", "warning", "information"], default="information",
                       help="the least severity to tell (usual: all)")  # fmt: skip
    render = parser.add_argument_group("render")
    render.add_argument("--for", dest="reader", choices=READERS, default="patient", help="who reads it")
    render.add_argument("--language", metavar="TAG", help="such as en or es (usual: what the person reads)")
    render.add_argument("--large-print", action="store_true", default=None, help="18 point or more")
    render.add_argument("--on", type=day, metavar="DATE", help="the day that is today, YYYY-MM-DD")
    render.add_argument("--templates", metavar="FOLDER", help="the clinic's own templates")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Do the whole source, or what is left of it."""
    if args.what == "columns":
        return _columns(args.output)
    if not (args.source and args.output):
        args.parser.error("say what to read and where to write: SOURCE -o DIR")
    if args.workers is not None and args.workers < 1:
        args.parser.error("--workers is one or more")
    if not 0 <= args.timeout <= _LONGEST:
        args.parser.error(f"--timeout is 0 to {_LONGEST}")
    job, kinds = _job(args)
    sources = Sources(args.source, kinds, but=args.output)
    make_folder(args.output)
    journal_file = str(Path(args.output) / JOURNAL)
    with locked(journal_file, seconds=5):
        if args.anew:
            _forget(journal_file, args.output)
        with closing(Journal(journal_file)) as journal:
            leaned_on = _digest([*args.package, *([args.templates] if args.templates else [])])
            journal.begin({**job.words, "leans_on": leaned_on, "fhircare": __version__})
            workers = usual_workers() if args.workers is None else args.workers
            bulk = _Run(job, args.output, journal, workers, args.timeout)
            with _stop_calmly(bulk), meter(f"bulk {args.what}", sources.total) as seen:
                bulk.over(sources, seen)
            return bulk.close(args)


def _job(args: argparse.Namespace) -> tuple[Job, Kinds]:
    if args.what == "plan":
        from fhircare.delivery import MAX_BYTES, read_fields

        common: dict[str, Any] = {}
        if args.common:
            with naming(args.common):
                common = read_fields(read_text(args.common, most=MAX_BYTES))[0]
        return PlanJob(common, args.packed, args.fhir or "R4", args.us_core), Kinds(
            RECORDS, TABLES, MAX_BYTES
        )
    bundles = Kinds((".json",), (), MAX_BUNDLE)
    forms = list(FINDINGS) if args.what == "check" else ["pdf", "html", "txt"]
    args.format = args.format or forms[0]
    if args.format not in forms:
        args.parser.error(f"--format is one of {', '.join(forms)}")
    if args.what == "check":
        job = CheckJob(args.level, args.fhir, tuple(args.profile), tuple(args.package))
        if job.packages:
            _ = job.against  # a package that cannot be read ends the run here
        return job, bundles
    return (
        RenderJob(args.format, args.reader, args.language, args.large_print, args.on, args.templates),
        bundles,
    )


def _digest(names: list[str]) -> str:
    """Return the digest of what is in some files and folders: what changed there changes every result."""
    made = hashlib.sha256()
    for name in names:
        inner = [""] if size_of(name) is not None else [file for file, _ in below(name, ("",))]
        for file in inner:
            made.update(file.encode() + read_bytes(str(Path(name) / file), most=_MOST_LEANED_ON))
    return made.hexdigest() if names else ""


class _Unwritten(NamedTuple):
    """An output that could not be written, as a value: an error of ours does not travel between processes."""

    file: str
    problem: str
    mend: str


def _work(job: Job, folder: str, seconds: float, items: list[Item]) -> list[tuple[Row, bytes] | _Unwritten]:
    """Do some items and write what comes of them; called in the worker processes."""
    made: list[tuple[Row, bytes] | _Unwritten] = []
    for item in items:
        with at_most(seconds):
            outcome = job(item)
        row = row_of(job, item, outcome)
        if outcome.content is not None:
            path = Path(folder) / row.output
            try:
                make_folder(str(path.parent))
                write_whole(str(path), outcome.content)
            except OutputError as error:
                made.append(_Unwritten(error.file, error.problem, error.mend))
                continue
        made.append((row, item.digest))
    return made


class _Run:
    """One run over a source: gives out work, keeps the journal, and says how it goes."""

    def __init__(self, job: Job, folder: str, journal: Journal, workers: int, seconds: float) -> None:
        self.job, self.folder, self.journal, self.workers = job, folder, journal, workers
        self.spread: Spread[Item, tuple[Row, bytes] | _Unwritten] = Spread(
            functools.partial(_work, job, folder, seconds), workers, preload=("fhircare.cli.bulk", *job.needs)
        )
        self.began = time.monotonic()
        self.done = self.before = self.unwell = 0

    def over(self, sources: Sources, seen: Meter) -> None:
        """Do every item that was not done before."""
        if self.journal.resumed:
            sweep(self.folder, REPORT, SUMMARY, *FINDINGS.values())
            if self.job.folder:
                sweep(self._path(self.job.folder))
        for chunk, results in self.spread.over(self._chunks(sources)):
            rows = []
            for item, result in zip(chunk, results, strict=True):
                if isinstance(result, _Unwritten):
                    raise OutputError(*result)
                made = _crash(item) if isinstance(result, Crashed) else result
                rows.append(made)
                self._tell(made[0], seen)
            if self.journal.resumed:
                self._tidy(row for row, _ in rows)
            self.journal.keep(rows)
            seen.move(sources.position, self.done, self.unwell)

    def close(self, args: argparse.Namespace) -> int:
        """Write the report and print the summary; return the exit code."""
        stopped = self.spread.stopping
        removed = 0
        if not stopped:
            for row in self.journal.gone():
                if row.output:
                    remove(str(Path(self.folder) / row.output))
                    removed += 1
            self.journal.forget_gone()
        tally = Tally()
        write_pieces(self._path(REPORT), (report_line(row).encode() for row in _counted(self.journal, tally)))
        if args.what == "check":
            told = findings(self.journal.rows(found_only=True), args.format, __version__)
            write_pieces(self._path(FINDINGS[args.format]), (piece.encode() for piece in told))
        spent = time.monotonic() - self.began
        now = {
            "done": self.done,
            "done_before": self.before,
            "outputs_removed": removed,
            "whole": not stopped,
        }
        data = {**tally.as_data(), "this_run": {**now, "seconds": round(spent, 1), "workers": self.workers}}
        write_whole(
            self._path(SUMMARY), (json.dumps({"job": self.job.words, **data}, indent=2) + "\n").encode()
        )
        say(f"bulk {args.what}: {args.source} to {self.folder}")
        say(tally.table(args.what))
        rate = f"{self.done / max(spent, 0.001):,.1f} a second, {self.workers} workers"
        say(f"  this run: {self.done:,} in {span(spent)} ({rate}); {self.before:,} were done before")
        if removed:
            say(f"  {removed:,} outputs were taken away: their sources are gone")
        say(f"  each item: {self._path(REPORT)}")
        if stopped:
            say("  stopped; the same command goes on from here")
            return 130
        return 0 if tally.ok else 1

    def _chunks(self, sources: Sources) -> Iterator[list[Item]]:
        """Yield what is to be done; small items together, so that each costs little to hand over."""
        chunk: list[Item] = []
        size = 0
        met: list[tuple[str, int]] = []
        for item in sources.items():
            if self.journal.resumed and self._known(item):
                self.before += 1
                met.append((item.source, item.line))
                if len(met) >= 1000:
                    self.journal.met(met)
                    met = []
                continue
            chunk.append(item)
            size += len(item.data)
            if self.job.folder or len(chunk) >= _CHUNK_ITEMS or size >= _CHUNK_BYTES:
                yield chunk
                chunk, size = [], 0
        self.journal.met(met)
        if chunk:
            yield chunk

    def _known(self, item: Item) -> bool:
        row = self.journal.known(item.source, item.line, item.digest)
        if row is None or (row.output and size_of(self._path(row.output)) is None):
            return False
        if row.state != "done":
            self.unwell += 1
        return True

    def _tell(self, row: Row, seen: Meter) -> None:
        self.done += 1
        if row.state == "done":
            return
        self.unwell += 1
        if row.state != "found" and self.unwell <= _MOST_TOLD:
            first = row.faults[0]._replace(line=0) if row.line else row.faults[0]
            more = f" (and {len(row.faults) - 1} more)" if len(row.faults) > 1 else ""
            seen.note(f"fhircare: {place(row)}: {first}{more}")
            if self.unwell == _MOST_TOLD:
                seen.note(f"fhircare: what else fails is in {self._path(REPORT)}")

    def _tidy(self, rows: Iterator[Row]) -> None:
        """Take away what an earlier run made of other content, where nothing could be made of this."""
        for row in rows:
            if not row.output:
                old = self.journal.output_of(row.source, row.line)
                if old:
                    remove(self._path(old))

    def _path(self, name: str) -> str:
        return str(Path(self.folder) / name)


def _crash(item: Item) -> tuple[Row, bytes]:
    fault = Fault(
        "",
        "ended the process that worked on it",
        "is there enough memory, and time (--timeout)? Try it alone",
        item.line,
    )
    return Row(item.source, item.line, "crashed", faults=(fault,)), item.digest


def _counted(journal: Journal, tally: Tally) -> Iterator[Row]:
    for row in journal.rows():
        tally.add(row)
        yield row


def _forget(journal_file: str, folder: str) -> None:
    """Take away what an earlier run wrote, and its journal."""
    try:
        with closing(Journal(journal_file)) as journal:
            for row in journal.rows():
                if row.output:
                    remove(str(Path(folder) / row.output))
    except FhircareError:
        pass  # no journal that can be read: nothing is known to be ours
    for ending in ("", "-wal", "-shm"):
        remove(journal_file + ending)


@contextmanager
def _stop_calmly(bulk: _Run) -> Iterator[None]:
    """Let the first Ctrl-C (or SIGTERM) finish what is under way; the second stops at once."""

    def stop(_number: int, _frame: object) -> None:
        bulk.spread.stopping = True
        for number, was in before.items():
            signal.signal(number, was)

    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    for number in before:
        signal.signal(number, stop)
    try:
        yield
    finally:
        for number, was in before.items():
            signal.signal(number, was)


def _columns(output: str | None) -> int:
    if output:
        write_whole(output, (",".join(column.name for column in Columns()) + "\n").encode())
        return 0
    for column in Columns():
        holds = f"{column.holds}; several with ; between" if column.several else column.holds
        say(f"{column.name}\n    {column.what}\n    {'always' if column.required else 'optional'}: {holds}")
    return 0
