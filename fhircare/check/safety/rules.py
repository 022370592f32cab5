"""The rules of our own safety layer (``rules.toml``), and the tables and bounds that they go by.

The words of the rules are read only when one is broken: a sound plan costs nothing.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from fhircare.check.report import Severity


class SafetyRule(NamedTuple):
    """One rule.

    Attributes:
        severity: ``error`` when the plan must not be followed as it stands.
        code: FHIR IssueType.
        message: What is wrong; ``{names}`` of our own vocabulary only, never of a patient's data.
        mend: How to put it right.
        source: What the rule rests on.
    """

    severity: Severity
    code: str
    message: str
    mend: str
    source: str


LEVELS = ("carry-on", "watch", "stop", "emergency")
"""Of warning signs, from the mildest to the gravest."""
CALLS = {
    "carry-on": {"none", "next-visit"},
    "watch": {"none", "next-visit", "same-day", "now"},
    "stop": {"same-day", "now", "emergency-number"},
    "emergency": {"emergency-number"},
}
"""Whom a sign of each level may say to call."""
FLOOR = {
    "tender-spot": "watch",
    "itch-or-rash": "watch",
    "other-foot-sore": "watch",
    "ply-at-limit": "watch",
    "redness-stays": "stop",
    "redness-not-pale": "stop",
    "blister": "stop",
    "broken-skin": "stop",
    "dark-area": "stop",
    "infection": "stop",
    "fever": "stop",
    "new-pain": "stop",
    "sudden-swelling": "stop",
    "leg-swelling": "stop",
    "cannot-seat": "stop",
    "slipping": "stop",
    "noise-or-looseness": "stop",
    "device-failure": "stop",
    "breathing-trouble": "emergency",
    "coughing-blood": "emergency",
    "fainting": "emergency",
    "fall-hurt": "emergency",
    "fall-blood-thinner": "emergency",
    "sepsis": "emergency",
    "heavy-bleeding": "emergency",
    "mood-crisis": "emergency",
}
"""The mildest level a sign may have. Skin: NPIAP staging, 2016. Clots: signs as NHLBI lists them. The rest is
common practice, no source."""
EVERYBODY = (
    "redness-fades",
    "redness-stays",
    "redness-not-pale",
    "blister",
    "broken-skin",
    "dark-area",
    "infection",
    "fever",
    "new-pain",
    "sudden-swelling",
    "leg-swelling",
    "device-failure",
    "breathing-trouble",
    "fall-hurt",
    "heavy-bleeding",
)
"""Signs that every plan names, whoever it is for (common practice, no source)."""
CAUTIONS = ("caution.defer", "caution.stop", "caution.do-not-adjust", "call.clinic", "call.emergency")
"""Advice that every plan gives, whoever it is for (common practice, no source)."""
BOUNDS = {
    "first_day_minutes": 360,
    "rise_factor": 2,
    "rise_minutes": 120,
    "redness_low": 5,
    "redness_high": 60,
    "fever_low": 37,
    "fever_high": 39,
    "first_visit_days": 100,
    "visit_minutes": 480,
    "visit_days_late": 92,
}
"""Bounds beyond which a number is taken for a mistake. Common practice, no source: wide on purpose, because
what is right within them is for the clinician to say."""


@cache
def rules() -> dict[str, SafetyRule]:
    """Return every rule by its key, in the table's order."""
    import tomllib
    from pathlib import Path

    table = tomllib.loads(Path(__file__).with_name("rules.toml").read_text(encoding="utf-8"))
    return {key: SafetyRule(**told) for key, told in table.items()}
