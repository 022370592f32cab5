"""The cautions that everybody is told, whatever else is chosen for them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.check.safety.rules import CAUTIONS

if TYPE_CHECKING:
    from fhircare.check.safety.held import Held


def check_advice(held: Held) -> None:
    """Check that the usual cautions and whom to call are among the advice, once each and with their words."""
    requests = held.of_kind("advice")
    if not requests:
        held.missing("advice.none", (held.plan.path, "activity"))
        return
    place = (requests[0].path, "orderDetail")
    details = [one for request in requests for one in held.details(request)]
    codes = [one.code for one in details if one.system == "advice"]
    for code in CAUTIONS:
        if code not in codes:
            held.say("advice.missing", place, advice=code)
    for one in details:
        if one.system == "advice" and (not one.text or codes.count(one.code) > 1):
            held.say("advice.one", one.path)
