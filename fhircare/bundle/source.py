"""A bundle as a source: its resources, how they refer to one another, and what could not be used."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from fhircare.bundle.located import Node
from fhircare.errors import BundleError, Fault


@dataclass(frozen=True)
class Unread:
    """Something in a bundle that the plan does not hold.

    Attributes:
        path: Its FHIRPath.
        reason: Why it was left aside, in a sentence, without its content.
    """

    path: str
    reason: str


class Source:
    """The resources of a bundle, or a resource by itself.

    Attributes:
        root: The bundle or CarePlan.
        unread: What was left aside so far.
        resources: The resources, in order.
        person: The reference by which the plan names its person, once somebody has asked; "" before.

    Raises:
        BundleError: For what is neither a Bundle nor a CarePlan.
    """

    def __init__(self, document: Any) -> None:
        kind = document.get("resourceType") if isinstance(document, dict) else None
        if kind not in {"Bundle", "CarePlan"}:
            raise BundleError(
                Fault(
                    "resourceType", "is neither Bundle nor CarePlan", "give a FHIR bundle that holds a plan"
                )
            )
        self.root = Node(document, str(kind))
        self.unread: list[Unread] = []
        self.person = ""
        self.resources: list[Node] = []
        self._by_name: dict[str, Node] = {}
        if kind == "Bundle":
            for entry in self.root.items("entry"):
                self._take(entry.get("resource"), entry.get("fullUrl").string())
        else:
            self._take(self.root, "")

    def _take(self, resource: Node, full_url: str) -> None:
        if not resource.kind:
            return
        resource.resource = resource
        self.resources.append(resource)
        own = resource.get("id").string()
        names = [full_url, f"{resource.kind}/{own}" if own else "", *_tail(full_url)]
        for name in names:
            if name:
                self._by_name.setdefault(name, resource)

    def of_type(self, *types: str) -> list[Node]:
        """Return the resources of these types, in an order that does not hang on the order of entries."""
        found = [resource for resource in self.resources if resource.kind in types]
        return sorted(found, key=lambda resource: _sort_key(resource.value))

    def resolve(self, reference: Node) -> Node | None:
        """Return the resource that a Reference points to, None when it is not here."""
        target = reference.get("reference").string()
        if target.startswith("#"):
            return self._contained(reference, target[1:])
        target = re.sub(r"/_history/[^/]+$", "", target)
        found = self._by_name.get(target)
        if found is None:
            for tail in _tail(target):
                found = found or self._by_name.get(tail)
        return found

    def follow(self, references: list[Node]) -> list[Node]:
        """Return the resources that are pointed to, in order; what is not here is named as unread."""
        found = []
        for reference in references:
            resource = self.resolve(reference)
            if resource is None:
                self.skip(reference, "points to a resource that is not in the bundle")
            else:
                found.append(resource)
        return found

    def points_to(self, reference: Node, target: Node | None) -> bool:
        """Tell whether a Reference points to this very resource."""
        found = self.resolve(reference)
        return found is not None and target is not None and found.value is target.value

    def skip(self, node: Node, reason: str) -> None:
        """Note that something is not in the plan, and why."""
        self.unread.append(Unread(node.path, reason))

    @staticmethod
    def _contained(reference: Node, name: str) -> Node | None:
        if reference.resource is None:
            return None
        for inside in reference.resource.items("contained"):
            if inside.get("id").value == name:
                inside.resource = reference.resource
                return inside
        return None


def _tail(url: str) -> list[str]:
    """Return ``Type/id`` of a RESTful address, so that relative and absolute references meet."""
    match = re.search(r"(?:^|/)([A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64})$", url)
    return [match[1]] if match else []


def _sort_key(resource: Any) -> str:
    return repr(resource)
