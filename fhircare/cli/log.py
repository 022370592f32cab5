"""Write down what happened on a day: into the bundle, as Observations. Nothing is ever overwritten.

A session is --worn MINUTES, followed by what belongs to it: --skin, --faded-after, --sitting, --standing,
--walking, --site. --from takes a whole log: CSV, JSON, or FHIR QuestionnaireResponses to the plan's
Questionnaire: one, several in a Bundle, or one a line. The same entry twice changes nothing; another one for
the same day corrects the first. --blank makes a CSV to fill in, a row for each day of the plan.

--author and --by say who is said to have written it; fhircare does not check who runs it.

  fhircare log bundle.json --day 2026-11-18 --worn 30 --skin clear --worn 30 --skin redness --faded-after 10
  fhircare log bundle.json --blank log.csv
  fhircare log bundle.json --from log.csv

Exit codes: 0 written down, 1 a sign to stop at or of an emergency stands, 2 nothing was stored.
"""

from __future__ import annotations

import argparse
import datetime as dt
from typing import TYPE_CHECKING, Any, get_args

from fhircare.cli import bundles
from fhircare.cli.output import note, say
from fhircare.cli.reading import naming, resources_in
from fhircare.files import read_text, write_whole

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fhircare.log import LogEntry

MAX_LOG = 16_000_000
_OF_SESSION = ("skin", "faded_after", "sitting", "standing", "walking", "site")
_OF_DAY = (
    "pain", "ply_morning", "ply_evening", "sweating", "swelling", "falls", "fall_hurt", "damage", "new_shoes",
    "liner", "signs", "released", "comment",
)  # fmt: skip


class _Session(argparse.Action):
    """--worn opens a session; what follows belongs to it."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: str | Sequence[Any] | None,
        option_string: str | None = None,
    ) -> None:
        sessions: list[dict[str, Any]] = list(namespace.sessions or [])
        if self.dest == "worn":
            sessions.append({"minutes": values})
        elif not sessions:
            parser.error(f"{option_string} belongs to a session: give --worn MINUTES before it")
        elif self.dest in sessions[-1]:
            parser.error(f"{option_string} stands twice for one session")
        else:
            sessions[-1] = {**sessions[-1], self.dest: values}
        namespace.sessions = sessions


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's words."""
    from fhircare.log import Skin
    from fhircare.log.entry import Author

    bundles.output_words(parser)
    source = parser.add_mutually_exclusive_group(required=True)
    source.add_argument("--day", type=bundles.day, metavar="DATE", help="the day, YYYY-MM-DD")
    source.add_argument("--from", dest="source", metavar="FILE", help="a whole log; - for standard input")
    source.add_argument(
        "--blank", metavar="FILE.csv", help="write a log to fill in; the bundle stays as it is"
    )
    parser.add_argument("--author", choices=get_args(Author), default="patient", help="who writes it")
    parser.add_argument(
        "--by", default="", metavar="NAME", help="which clinician: a name or identifier of the care team"
    )
    parser.add_argument(
        "--written-at",
        type=bundles.moment,
        metavar="MOMENT",
        help="when it was written, where the log does not say (usual: now)",
    )
    session = parser.add_argument_group("each session")
    session.add_argument("--worn", action=_Session, metavar="MINUTES", help="minutes worn; opens a session")
    session.add_argument(
        "--skin", action=_Session, choices=get_args(Skin), help="seen on the limb afterwards"
    )
    session.add_argument("--faded-after", action=_Session, metavar="MINUTES", help="until redness had gone")
    for name in ("sitting", "standing", "walking"):
        session.add_argument(f"--{name}", action=_Session, metavar="MINUTES", help=f"of it {name}")
    session.add_argument("--site", action=_Session, metavar="WHERE", help="where on the limb")
    parser.set_defaults(sessions=None, parser=parser)
    _day_words(parser.add_argument_group("the day"))


def _day_words(group: argparse._ArgumentGroup) -> None:
    yes_no = argparse.BooleanOptionalAction
    group.add_argument("--pain", metavar="0-10", help="worst pain of the day")
    group.add_argument("--ply-morning", metavar="PLY", help="total ply in the morning")
    group.add_argument("--ply-evening", metavar="PLY", help="total ply in the evening")
    group.add_argument("--sweating", choices=["none", "some", "heavy"], help="under liner or socket")
    group.add_argument("--swelling", choices=["none", "some", "sudden"], help="of the limb")
    group.add_argument("--falls", metavar="COUNT", help="how many")
    group.add_argument("--fall-hurt", action=yes_no, help="a fall hurt")
    group.add_argument("--damage", action=yes_no, help="a new noise, a loose part or damage")
    group.add_argument("--new-shoes", action=yes_no, help="other shoes were worn")
    group.add_argument("--liner", metavar="WHICH", help="which liner was worn")
    group.add_argument(
        "--sign", dest="signs", action="append", metavar="CODE", help="a warning sign; again for more"
    )
    group.add_argument(
        "--released", action=yes_no, help="wear may begin again; clinic or therapist only, with --by"
    )
    group.add_argument("--comment", metavar="TEXT", help="anything else")


def run(args: argparse.Namespace) -> int:
    """Take the log in, and say at once when it says stop."""
    from fhircare.follow.keep import follow, take

    if args.blank:
        _write_blank(args.bundle, args.blank)
        return 0
    entries = _entries(args)
    if not entries:
        note("nothing was written down")
        return 0
    stops: list[list[str]] = []

    def taken(bundle: dict[str, Any]) -> dict[str, Any] | None:
        found = take(bundle, entries)
        note(f"{len(found.new)} new, {len(found.corrected)} corrected, {len(found.unchanged)} known already")
        stops.append(_stop(found.bundle, max(entry.on for entry in entries) + dt.timedelta(days=1), follow))
        return found.bundle if found.new or found.corrected else None

    bundles.change(args.bundle, args.output, taken)
    if stops[0]:
        say("\n".join(stops[0]))
        return 1
    return 0


def _write_blank(name: str, output: str) -> None:
    """Write a log to fill in: the days of the plan, and what the log sheet asks of each."""
    from fhircare.cli.reading import reading
    from fhircare.log.reading import blank_log

    wear = reading(name).plan.wear
    days = [(day.on, len(day.sessions)) for day in wear.days] if wear is not None else []
    write_whole(output, blank_log(days).encode())


def _stop(bundle: dict[str, Any], on: dt.date, follow: Any) -> list[str]:
    """Return what the person must be told now: nothing unless the log says stop."""
    from fhircare.bundle import read
    from fhircare.errors import PlanningError
    from fhircare.follow.told import for_patient

    try:
        followed = follow(bundle, on)
    except PlanningError:
        return []  # a plan without a schedule can be logged for; there is no step to decide about
    plan = followed.revision.plan if followed.revision else followed.review.plan
    if followed.review.decision.step and plan.stopped_since is None:
        return []
    return for_patient(followed, read(bundle))


def _entries(args: argparse.Namespace) -> Sequence[LogEntry]:
    if args.source is not None:
        return _from_file(args.source, args.written_at or bundles.now())
    from fhircare.log import entry_from

    told = {name: getattr(args, name) for name in _OF_DAY if getattr(args, name) is not None}
    written = args.written_at or bundles.now()
    return [
        entry_from(
            {
                "on": args.day,
                "written_at": written,
                "author": args.author,
                "by": args.by,
                "sessions": args.sessions or [],
                **told,
            }
        )
    ]


def _from_file(name: str, written_at: dt.datetime) -> Sequence[LogEntry]:
    from fhircare.bundle.responses import read_responses
    from fhircare.log import read_log

    text = read_text(name, most=MAX_LOG)
    with naming(name):
        if '"QuestionnaireResponse"' in text:
            return read_responses(resources_in(text))
        return read_log(text, name=name, written_at=written_at)
