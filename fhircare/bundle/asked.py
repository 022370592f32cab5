"""Which request of the plan a day of the log answers: Observation.basedOn.

====================================  ==================================================================
what was logged                       basedOn (R4 Observation.basedOn, a ServiceRequest)
====================================  ==================================================================
a session                             the wear session of that day at the same place; one more than was
                                      planned: the first
the day, pain, ply                    the first wear session of that day
any of them on a day without wear     the request that says so
any of them before or after all days  the request with the settings of the schedule
====================================  ==================================================================

The requests are those of the plan that is in force: a plan on hold, before the draft that waits to take its
place. They stay in the bundle when the plan is revised, and so does what refers to them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.bundle.in_force import careplans
from fhircare.bundle.source import Source

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Mapping

    from fhircare.bundle.datatypes import Json
    from fhircare.bundle.located import Node


class Asked:
    """The wear requests of the plan in force, by the days they are for."""

    def __init__(self, bundle: Mapping[str, Any]) -> None:
        entries = [one for one in bundle.get("entry", []) if _may_ask(one)]
        source = Source({"resourceType": "Bundle", "entry": entries})
        self._urls = {id(one["resource"]): str(one.get("fullUrl", "")) for one in entries}
        plans = sorted(careplans(source), key=lambda one: one.word("status") == "draft")
        self._requests: list[Node] = []
        self._settings: list[Node] = []
        for activity in plans[0].items("activity") if plans else []:
            one = source.resolve(activity.get("reference"))
            kind = one.get("code").code_in("activity").value if one is not None else ""
            if one is not None and kind in ("wear-session", "no-wear"):
                self._requests.append(one)
            elif one is not None and kind == "wear-schedule":
                self._settings.append(one)

    def on(self, day: dt.date, place: int = 0) -> list[Json]:
        """Return a reference to what was asked for, in a list; empty for a plan without a wearing schedule.

        Args:
            day: The day.
            place: Which session of the day, from 0.
        """
        found = [one for one in self._requests if _covers(one, day)] or self._settings
        if not found:
            return []
        chosen = found[place] if place < len(found) else found[0]
        url = self._urls.get(id(chosen.value), "")
        return [{"reference": url}] if url else []


def _may_ask(entry: Json) -> bool:
    return (entry.get("resource") or {}).get("resourceType") in ("CarePlan", "ServiceRequest")


def _covers(one: Node, day: dt.date) -> bool:
    span = one.get("occurrenceTiming").get("repeat").get("boundsPeriod") or one.get("occurrencePeriod")
    first, last = span.date("start").value, span.date("end").value
    return first is not None and last is not None and first <= day <= last
