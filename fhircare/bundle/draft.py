"""The bundle while it is being written: what has been added so far, and the names of the rest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.bundle import profiles, us_core
from fhircare.bundle.datatypes import ABSENT, Json, extension
from fhircare.bundle.identity import Identity
from fhircare.bundle.narrative import LANGUAGE, Row, facts, heading, narrative
from fhircare.spec import terms

if TYPE_CHECKING:
    import datetime as dt

    from fhircare.plan import Plan


class Draft:
    """Entries in the order they were added; a resource is added after what it refers to.

    Attributes:
        plan: The plan being written.
        us_core: The version of US Core whose profiles are claimed, or ``none``.
        names: Its names.
        entries: Bundle.entry so far.
        subject: Reference to the person; says that it is unknown until the person has been added.
        made: References by key, such as ``made["clinic"]``.
    """

    def __init__(self, plan: Plan, us_core: str = us_core.DEFAULT) -> None:
        self.plan, self.us_core = plan, us_core
        self.names = Identity(plan.clinic.uri if plan.clinic else "", plan.number, plan.revision)
        self.entries: list[Json] = []
        self.subject: Json = {"extension": [extension(ABSENT, "Code", "unknown")]}
        self.made: dict[str, Json] = {}
        self._keys: set[str] = set()

    def add(
        self,
        resource_type: str,
        key: str,
        body: Json,
        *,
        text: dict[str, Any],
        profile: str = "",
    ) -> Json:
        """Add a resource and return a Reference to it.

        Args:
            resource_type: Its type.
            key: What it is within the plan, unique among its type.
            body: Its elements, empty ones already left out.
            text: Its narrative.
            profile: The US Core profile it keeps, such as ``goal``; "" to claim none.
        """
        url = self.names.full_url(resource_type, key)
        resource: Json = {"resourceType": resource_type}
        meta = self.meta(profile, *profiles.claims({**resource, **body}))
        if meta:
            resource["meta"] = meta
        resource |= {"language": LANGUAGE, "text": text, **body}
        self.entries.append({"fullUrl": url, "resource": resource})
        reference = {"reference": url}
        self.made[key] = reference
        return reference

    def key(self, kind: str, *words: str) -> str:
        """Return a key by what the thing is, not by its place, so that a revision finds the same thing again.

        The second of the same name gets a number.
        """
        name = "/".join((kind, *words))
        key, turn = name, 1
        while key in self._keys:
            turn += 1
            key = f"{name}/{turn}"
        self._keys.add(key)
        return key

    def meta(self, profile: str = "", *ours: str) -> Json:
        """Return a resource's meta: the profiles it keeps (US Core's, ours), the mark of invented data."""
        claims = [*us_core.claim(profile, self.us_core), *ours]
        meta: Json = {"profile": claims} if claims else {}
        if self.plan.synthetic:
            meta["security"] = [terms.coding("act-reason", "HTEST")]
        return meta

    def own(self, key: str, *, lasting: bool = False) -> list[Json]:
        """Return the resource's identifier in the clinic's system, as a list."""
        return [self.names.part(key, lasting=lasting)]

    def reference(self, *keys: str) -> list[Json]:
        """Return references to those of the keys that were added."""
        return [self.made[key] for key in keys if key in self.made]

    @property
    def written_on(self) -> dt.date | None:
        """The day the record was written, where known."""
        return self.plan.written_at.date() if self.plan.written_at else None


def says(title: str, *rows: Row) -> dict[str, Any]:
    """Return the narrative of a resource: a title, and names with values."""
    return narrative(heading(title), facts(rows))
