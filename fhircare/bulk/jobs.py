"""What a bulk run does with one item: plan it, check it, render it. Pure: bytes in, an outcome out.

A job is a small frozen object that can be sent to another process or another machine; calling it does the
work. It never raises for what is in an item: whatever goes wrong is the item's outcome.
"""

from __future__ import annotations

import gzip
from dataclasses import asdict, dataclass, field
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from fhircare.bulk.columns import Columns
from fhircare.bulk.item import Outcome
from fhircare.errors import Fault, FhircareError, InputError, PlanningError, place_in_code

if TYPE_CHECKING:
    import datetime as dt

    from fhircare.bulk.item import Item
    from fhircare.check import Against
    from fhircare.check.report import Severity
    from fhircare.delivery import DeliveryRecord
    from fhircare.plan import Plan
    from fhircare.render import Form, Reader

_COLUMNS = Columns()


@dataclass(frozen=True)
class Job:
    """The way of every job: refuse what was broken while reading, do the work, put any error into words.

    Attributes:
        verb: What it does.
        folder: Where its outputs go, "" when it has none.
        needs: The rooms it uses, for whoever wants to import them before the work begins.
    """

    verb: ClassVar[str] = ""
    folder: ClassVar[str] = ""
    needs: ClassVar[tuple[str, ...]] = ()

    @property
    def ending(self) -> str:
        """The ending of what is written for an item, "" when nothing is."""
        return ""

    @property
    def words(self) -> dict[str, Any]:
        """The job as plain data: two jobs with the same words do the same."""
        return {"verb": self.verb, **{name: str(value) for name, value in asdict(self).items()}}

    def __call__(self, item: Item) -> Outcome:
        """Return what comes of an item; never raises for what is in it."""
        if item.faults:
            return Outcome("failed", faults=item.faults)
        try:
            return self._done(item)
        except InputError as error:
            faults = tuple(f._replace(line=item.line) if item.line else f for f in error.faults)
            return Outcome("failed", faults=faults)
        except PlanningError as error:
            mend = error.nearest or "change the record, or plan this one by hand"
            return Outcome("failed", faults=(Fault("", error.binding, mend, item.line),))
        except FhircareError as error:
            return Outcome("failed", faults=(Fault("", str(error), "see `fhircare --help`", item.line),))
        except Exception as error:  # noqa: BLE001 - a fault of ours in one item must not end a run over thousands
            problem = f"is more than fhircare can do ({place_in_code(error)})"
            return Outcome("failed", faults=(Fault("", problem, "please report this line", item.line),))

    def _done(self, item: Item) -> Outcome:
        raise NotImplementedError


@dataclass(frozen=True)
class PlanJob(Job):
    """Turn delivery records into plans, each one bundle that has passed the check.

    Attributes:
        common: What is the same in all rows of a table, as a record's plain data.
        packed: True to write the bundles packed (gzip).
        release: FHIR release of the bundles, ``R4`` or ``R5``.
        us_core: Version of US Core whose profiles they claim, "none" for none.
    """

    verb: ClassVar[str] = "plan"
    folder: ClassVar[str] = "bundles"
    needs: ClassVar[tuple[str, ...]] = ("fhircare.planner", "fhircare.bundle", "fhircare.check")
    common: dict[str, Any] = field(default_factory=dict)
    packed: bool = False
    release: str = "R4"
    us_core: str = "8.0.0"

    @property
    def ending(self) -> str:
        """The ending of a bundle's file."""
        return ".json.gz" if self.packed else ".json"

    @property
    def words(self) -> dict[str, Any]:
        """The job as plain data; what is common only by its digest, for it may name people."""
        common = sha256(repr(self.common).encode()).hexdigest() if self.common else ""
        return {**super().words, "common": common}

    def _done(self, item: Item) -> Outcome:
        from fhircare.bundle import dump, to_bundle
        from fhircare.check import check
        from fhircare.releases import say

        plan = self._plan(item)
        # Our own check, in place of the models of fhir.resources: it asks more and costs a third.
        # It reads the bundle itself, not its bytes: they are written from it, digit for digit.
        bundle = say(to_bundle(plan, validate=False, us_core=self.us_core, apart=False), self.release)
        found = check(bundle, release=self.release).issues
        errors = [issue for issue in found if issue.severity in {"fatal", "error"}]
        if errors:
            faults = tuple(Fault(i.expression, i.message, i.mend, item.line) for i in errors)
            return Outcome("failed", plan.number, faults)
        content = dump(bundle).encode()
        if self.packed:
            content = gzip.compress(content, 1, mtime=0)  # six times smaller already, in half the time of 6
        return Outcome("done", plan.number, content=content)

    def _plan(self, item: Item) -> Plan:
        from fhircare.delivery import read_delivery
        from fhircare.planner import make_plan

        if item.form == "row":
            return make_plan(self._row(item))
        text = _text(item)
        if item.form == "line" and not text.lstrip().startswith("{"):
            raise InputError(Fault("", "is not a JSON object", "write one record a line, as JSON"))
        return make_plan(read_delivery(text))

    def _row(self, item: Item) -> DeliveryRecord:
        import json

        from fhircare.delivery import delivery_of

        data, renamed = _COLUMNS.fields(json.loads(item.data), self.common)
        try:
            return delivery_of(data)
        except InputError as error:
            raise InputError([renamed.fault(fault, item.line) for fault in error.faults]) from None


@dataclass(frozen=True)
class CheckJob(Job):
    """Check resources and bundles.

    Attributes:
        level: The least severity that is told and counted.
        release: ``R4`` or ``R5``; None for what each item tells.
        profiles: Canonicals of profiles that every resource of their type must keep.
        packages: FHIR packages (folders or .tgz) to find profiles in.
    """

    verb: ClassVar[str] = "check"
    needs: ClassVar[tuple[str, ...]] = ("fhircare.check",)
    level: Severity = "information"
    release: str | None = None
    profiles: tuple[str, ...] = ()
    packages: tuple[str, ...] = ()

    @property
    def against(self) -> Against:
        """What is held against beside what resources claim.

        Raises:
            PackageError: When a package cannot be read; ask before the run, so that not every item fails.
        """
        return _against(self.profiles, self.packages)

    def _done(self, item: Item) -> Outcome:
        from fhircare.check import check

        report = check(item.data, release=self.release, against=self.against).at_least(self.level)
        issues = [i.at(item.line, i.column) if item.line else i for i in report.issues]
        return Outcome("done" if report.ok else "found", issues=tuple(issues))


@dataclass(frozen=True)
class RenderJob(Job):
    """Render one reader's page of each bundle.

    Attributes:
        form: ``html``, ``pdf`` or ``txt``.
        reader: Who reads it.
        language: BCP 47 tag; None for the language each bundle says the person reads.
        large_print: None for what each bundle says the person asked for.
        on: The day that counts as today; None for the first day of each schedule.
        templates: A folder whose templates go before ours.
    """

    verb: ClassVar[str] = "render"
    folder: ClassVar[str] = "pages"
    needs: ClassVar[tuple[str, ...]] = ("fhircare.bundle", "fhircare.render")
    form: Form = "pdf"
    reader: Reader = "patient"
    language: str | None = None
    large_print: bool | None = None
    on: dt.date | None = None
    templates: str | None = None

    @property
    def ending(self) -> str:
        """The ending of a page's file."""
        return f".{self.form}"

    def _done(self, item: Item) -> Outcome:
        from fhircare.bundle import load
        from fhircare.bundle.heard import listened, read_heard
        from fhircare.render import render

        reading = read_heard(listened(load(_text(item))))
        page = render(
            reading,
            self.form,
            self.reader,
            language=self.language,
            large_print=self.large_print,
            on=self.on,
            clinic_templates=self.templates,
        )
        return Outcome(
            "done", reading.plan.number, content=page if isinstance(page, bytes) else page.encode()
        )


@cache
def _against(profiles: tuple[str, ...], packages: tuple[str, ...]) -> Against:
    """Return what is held against, its packages read once a process."""
    from fhircare.check import Against
    from fhircare.spec.packages import load_packages

    return Against(profiles, [one for name in packages for one in load_packages(Path(name)).packages])


def _text(item: Item) -> str:
    try:
        return item.data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(Fault("", "is not UTF-8 text", "save it as UTF-8")) from None
