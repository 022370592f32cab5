"""Stable names: who a resource is, in this bundle and in the clinic's own system.

- ``fullUrl`` is ``urn:uuid:`` and a lower-case UUIDv5 of the clinic's address, the plan's number, the
  resource type, the part's key and the revision: same record, same name. The type belongs in it: a device
  and a task may share a key.
- ``identifier`` is ``{system: the clinic's address + /fhircare/part, value: number/key/rN}``. What outlives
  a revision (people, devices, conditions, goals, observations) leaves out ``rN``, so that sending a revised
  plan finds it again.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

BASE = "https://fhircare.github.io/fhir"
_NAMESPACE = uuid.uuid5(uuid.NAMESPACE_URL, BASE)


@dataclass(frozen=True)
class Identity:
    """Names for one revision of one plan.

    Attributes:
        clinic_uri: The clinic's own address, "" when the plan names no clinic.
        number: The plan's number.
        revision: The plan's revision, from 1.
    """

    clinic_uri: str
    number: str
    revision: int

    def system(self, kind: str) -> str:
        """Return the identifier system of a kind: part, plan, plan-series or delivery-record."""
        return f"{_root(self.clinic_uri)}/fhircare/{kind}"

    def full_url(self, resource_type: str, key: str) -> str:
        """Return the ``urn:uuid:`` of a resource of this bundle."""
        name = f"{self.number}|{resource_type}|{key}|r{self.revision}"
        return f"urn:uuid:{uuid.uuid5(_space(self.clinic_uri), name)}"

    def part(self, key: str, *, lasting: bool) -> dict[str, Any]:
        """Return the Identifier of a part: with the revision unless it outlives it."""
        end = "" if lasting else f"/r{self.revision}"
        return {"system": self.system("part"), "value": f"{self.number}/{key}{end}"}

    def plan(self, revision: int | None = None) -> dict[str, Any]:
        """Return the Identifier of one revision of the plan, this one unless told."""
        return {"system": self.system("plan"), "value": f"{self.number}/r{revision or self.revision}"}

    def series(self) -> dict[str, Any]:
        """Return the Identifier that all revisions of the plan share."""
        return {"system": self.system("plan-series"), "value": self.number}


def is_ours(system: str, kind: str = "") -> bool:
    """Tell whether an identifier system is one that ``Identity.system`` makes."""
    head, _, tail = system.rpartition("/")
    return head.endswith("/fhircare") and (tail == kind if kind else bool(tail))


@lru_cache(maxsize=64)
def _space(clinic_uri: str) -> uuid.UUID:
    """Return the namespace of a clinic's names; every resource asks for it."""
    return uuid.uuid5(_NAMESPACE, clinic_uri)


def _root(clinic_uri: str) -> str:
    if clinic_uri.startswith(("http://", "https://")):
        return clinic_uri.rstrip("/")
    return f"{BASE}/sid/{_space(clinic_uri)}" if clinic_uri else f"{BASE}/sid"
