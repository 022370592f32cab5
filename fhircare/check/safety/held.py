"""A plan of ours as it stands in a bundle: raw JSON, found by what it is, each part with its place.

The check reads no plan and imports no reader: it looks at what is written, and it starts quickly. A bundle
under check may hold anything anywhere: nothing is taken for granted (``raw``).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.check.path import Path, render
from fhircare.check.report import Issue
from fhircare.check.safety.raw import OURS, amount, code_of, codings, date, items, obj, text
from fhircare.check.safety.rules import rules

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterator

    from fhircare.check.gather import Gathered, ResourceScope
    from fhircare.check.safety.raw import Json
    from fhircare.check.safety.schedule import Schedule

PARAMETERS = (
    "https://fhircare.github.io/fhir/StructureDefinition/order-parameter",
    "http://hl7.org/fhir/5.0/StructureDefinition/extension-ServiceRequest.orderDetail.parameter",
)
"""The extensions in which R4 holds the parameters of an orderDetail; R5 has an element for them."""


class Value(NamedTuple):
    """A parameter's value: its type (``Quantity``), what it is, and its place."""

    kind: str
    value: Any
    path: Path


class Detail(NamedTuple):
    """One orderDetail: what it is in which of our systems, what it says, and its parameters by code."""

    system: str
    code: str
    text: str
    values: dict[str, list[Value]]
    path: Path

    def number(self, code: str) -> float | int | None:
        """Return a parameter's amount, None when it has none."""
        for value in self.values.get(code, ()):
            if value.kind == "Quantity" and isinstance(value.value, dict):
                return amount(value.value)
        return None

    def string(self, code: str) -> str:
        """Return a parameter's text, "" when it has none."""
        found = self.values.get(code)
        return found[0].value if found and isinstance(found[0].value, str) else ""

    def term(self, code: str, system: str) -> str:
        """Return a parameter's code in one of our systems, "" when it has none."""
        found = self.values.get(code)
        return code_of(found[0].value, system) if found else ""

    def place(self, code: str) -> Path:
        """Return where a parameter's value stands, the detail itself when it has none."""
        found = self.values.get(code)
        return found[0].path if found else self.path


class Held:
    """One CarePlan of ours and the resources of its bundle that it refers to.

    Attributes:
        plan: The CarePlan.
        bundle: The Bundle it stands in.
        gathered: What the walk collected from the whole file.
        entries: Every resource of the bundle, in order.
        requests: The ServiceRequests among its activities, in order.
        visits: The Appointments among them.
        support: What supportingInfo points to.
        goals: Its goals.
        parts: The CarePlan and all that it rests on; what else a bundle holds is not the plan's.
        pointed: By a resource's ``id()``, the resources that it points to.
        whole: False when something it refers to is not in the bundle: then nothing is called missing.
        schedule: The wearing schedule day by day, once it has been laid out.
        issues: What was found.
    """

    def __init__(self, plan: ResourceScope, gathered: Gathered) -> None:
        self.plan, self.bundle, self.gathered = plan, plan.container or plan, gathered
        self.entries = [
            one for one in gathered.resources if one.container is self.bundle and one.kind == "entry"
        ]
        self._by_name: dict[str, ResourceScope] = {}
        for one in self.entries:
            if one.full_url:
                self._by_name.setdefault(one.full_url, one)
                tail = "/".join(one.full_url.rsplit("/", 2)[-2:])
                self._by_name.setdefault(tail, one)
            if own := text(one.resource, "id"):
                self._by_name.setdefault(f"{one.type}/{own}", one)
        self.pointed: dict[int, list[ResourceScope]] = {}
        for _, reference, _, owner in gathered.references:
            if found := self.resolve(reference):
                self.pointed.setdefault(id(owner), []).append(found)
        self.whole = True
        self.schedule: Schedule | None = None
        self.issues: list[Issue] = []
        self._details: dict[int, list[Detail]] = {}
        activities = [found for one in _activities(plan.resource) if (found := self._follow(one))]
        self.requests = [one for one in activities if one.type == "ServiceRequest"]
        self.visits = [one for one in activities if one.type == "Appointment"]
        self.support = self._all("supportingInfo")
        self.goals = self._all("goal")
        self.parts = self._parts()
        self._kind_of = {id(one): code_of(one.resource.get("code"), "activity") for one in self.requests}
        self._kinds: dict[str, list[ResourceScope]] = {}
        for one in self.requests:
            self._kinds.setdefault(self._kind_of[id(one)], []).append(one)

    def say(self, key: str, path: Path, **words: object) -> None:
        """Write down that a rule is broken at a place; ``words`` never hold anything of a patient."""
        rule = rules()[key]
        message, mend = rule.message.format(**words), rule.mend.format(**words)
        place = render(path)
        self.issues.append(
            Issue(rule.severity, rule.code, place, f"safety.{key}", message, mend, source="safety")
        )

    def missing(self, key: str, path: Path, **words: object) -> None:
        """Likewise for what is not there; silent when the bundle is only a part of the plan."""
        if self.whole:
            self.say(key, path, **words)

    def of_kind(self, activity: str) -> list[ResourceScope]:
        """Return the requests of one of our kinds; "" for tasks."""
        return self._kinds.get(activity, [])

    def kind_of(self, request: ResourceScope) -> str | None:
        """Return which of our kinds a request of the plan is, "" for a task; None for anything else."""
        return self._kind_of.get(id(request))

    def of_type(self, *types: str) -> list[ResourceScope]:
        """Return the bundle's resources of these types."""
        return [one for one in self.entries if one.type in types]

    def resolve(self, reference: Any) -> ResourceScope | None:
        """Return the resource that a Reference points to, None when it is not in the bundle."""
        target = text(reference, "reference")
        found = self._by_name.get(target)
        return found or self._by_name.get("/".join(target.rsplit("/", 2)[-2:]))

    def details(self, request: ResourceScope) -> list[Detail]:
        """Return the details of a request, in order."""
        found = self._details.get(id(request))
        if found is None:
            rows = items(request.resource, "orderDetail")
            found = [_detail(one, ((request.path, "orderDetail"), index)) for index, one in rows]
            self._details[id(request)] = found
        return found

    def detail(self, request: ResourceScope, code: str) -> Detail | None:
        """Return the first detail with this code in our system of details."""
        return next((d for d in self.details(request) if d.system == "detail" and d.code == code), None)

    @property
    def status(self) -> str:
        """CarePlan.status."""
        return text(self.plan.resource, "status")

    @property
    def stopped(self) -> bool:
        """Whether a Flag of the plan says that wear is stopped."""
        flags = (one for one in self.support if one.type == "Flag")
        return any(
            code_of(one.resource.get("code"), "plan-state") == "wear-stopped"
            and text(one.resource, "status") == "active"
            for one in flags
        )

    @property
    def clinic(self) -> ResourceScope | None:
        """The clinic: the Organization among the contributors."""
        named = [one for _, one in items(self.plan.resource, "contributor")]
        found = (self.resolve(one) for one in (*named, *_managing(self)))
        return next((one for one in found if one and one.type == "Organization"), None)

    @property
    def delivered(self) -> dt.date | None:
        """The day of delivery: the start of the prosthesis' use."""
        for one in self.of_type("DeviceUseStatement", "DeviceUsage"):
            if day := date(text(obj(one.resource, "timingPeriod"), "start")):
                return day
        return None

    def _parts(self) -> list[ResourceScope]:
        """Return all that the plan points to, straight or through others, in the order of the bundle."""
        pointed = self.pointed
        services = self.of_type("HealthcareService", "DeviceUseStatement", "DeviceUsage", "Questionnaire")
        origins = [one for one in self.of_type("Provenance") if self.plan in pointed.get(id(one), ())]
        waiting = [self.plan, *services, *origins]
        known: set[int] = set()
        while waiting:
            one = waiting.pop()
            if id(one) not in known:
                known.add(id(one))
                waiting += pointed.get(id(one), ())
        return [one for one in self.entries if id(one) in known]

    def _all(self, name: str) -> list[ResourceScope]:
        rows = items(self.plan.resource, name)
        return [found for _, one in rows if (found := self._follow(one))]

    def _follow(self, reference: Any) -> ResourceScope | None:
        found = self.resolve(reference)
        self.whole = self.whole and found is not None
        return found


def _activities(plan: Json) -> Iterator[Any]:
    """Yield what the plan's activities point to: R4's reference, R5's plannedActivityReference."""
    for _, activity in items(plan, "activity"):
        yield activity.get("reference") or activity.get("plannedActivityReference")


def _managing(held: Held) -> list[Any]:
    teams = held.of_type("CareTeam")
    return [one for team in teams for _, one in items(team.resource, "managingOrganization")]


def _detail(node: Json, path: Path) -> Detail:
    focus = obj(obj(node, "parameterFocus"), "concept") or node
    system, code = next(
        ((uri[len(OURS) :], code) for uri, code in codings(focus) if uri.startswith(OURS)), ("", "")
    )
    values: dict[str, list[Value]] = {}
    for name, told, place in _parameters(node, path):
        values.setdefault(name, []).append(_value(told, place))
    return Detail(system, code, text(focus, "text"), values, path)


def _parameters(node: Json, path: Path) -> Iterator[tuple[str, Json, Path]]:
    for index, one in items(node, "extension"):
        if one.get("url") not in PARAMETERS:
            continue
        parts = {text(part, "url"): (inside, part) for inside, part in items(one, "extension")}
        inside, told = parts.get("value", (0, {}))
        name = code_of(parts.get("code", (0, {}))[1].get("valueCodeableConcept"), "detail")
        yield name, told, ((((path, "extension"), index), "extension"), inside)
    for index, one in items(node, "parameter"):
        yield code_of(one.get("code"), "detail"), one, ((path, "parameter"), index)


def _value(told: Json, path: Path) -> Value:
    for name, value in told.items():
        if name.startswith("value"):
            return Value(name[5:], value, (path, name))
    return Value("", None, path)
