"""The safety rules on a plan of another release: they are asked of what it says in R4's spelling.

Our safety rules read R4. A plan in R5 is heard into R4 (``fhircare.releases``), walked, and asked; each
finding then names its place in the file as it came. What cannot be heard is told, never passed over.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.check.report import Issue
from fhircare.check.safety import check_safety, is_ours
from fhircare.errors import FhircareError

if TYPE_CHECKING:
    from fhircare.check.compile import Compiler
    from fhircare.check.gather import Gathered

HOUSE = "R4"
RULE = ("safety.not-run", "the safety rules could be asked: the plan can be heard in R4's spelling")


def safety_of(value: Any, gathered: Gathered, compiler: Compiler) -> list[Issue]:
    """Return the findings of the safety rules, whatever release the file is in.

    Args:
        value: The file, as read.
        gathered: What the walk over it collected.
        compiler: The checkers of its release.
    """
    release = compiler.definitions.release
    if release == HOUSE:
        return check_safety(gathered)
    plans = [scope for scope in gathered.resources if is_ours(scope)]
    if not plans:
        return []
    from fhircare.releases import heard

    try:
        told = heard(value, release)
        found = check_safety(_walked(told.bundle))
        return [issue._replace(expression=told.place(issue.expression)) for issue in found]
    except (FhircareError, TypeError, ValueError, AttributeError, LookupError, RecursionError):
        # A file with wrong structure, which has findings of its own.
        return [_not_run()]


def _walked(bundle: dict[str, Any]) -> Gathered:
    from fhircare.check.compile import Compiler
    from fhircare.check.walk import Walk
    from fhircare.spec import definitions

    compiler = Compiler(definitions(HOUSE))
    walk = Walk(compiler.definitions, compiler.checker)
    walk.root = bundle
    walk.enter(bundle, (None, str(bundle.get("resourceType"))), "root")
    walk.leave()
    return walk.gathered


def _not_run() -> Issue:
    return Issue(
        "warning",
        "incomplete",
        "Bundle",
        RULE[0],
        "The safety rules were not asked: this plan cannot be read as its release says it.",
        "Mend the other findings, then check again.",
        source="safety",
    )
