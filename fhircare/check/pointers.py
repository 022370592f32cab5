"""Canonicals, attachments' URLs, links in narrative, contained resources: does each lead where it should?

Read https://hl7.org/fhir/R4/references.html#canonical, #contained and https://hl7.org/fhir/R4/narrative.html
beside this.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from fhircare.check.resolution import Index, Target, bundle_type, element_ids
from fhircare.check.rule import Rule, finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.check.gather import Gathered, LinkAt, ResourceScope
    from fhircare.check.report import Issue

RULES = {
    "canonical.contained": Rule(
        "error",
        "not-found",
        "The canonical leads to a contained resource that is not there.",
        "Put the resource into `contained` with this id, or give its canonical URL.",
        "references.html#canonical",
    ),
    "canonical.relative": Rule(
        "warning",
        "value",
        "A canonical URL is absolute.",
        "Write the whole URL that stands in the resource's `url`.",
        "references.html#canonical",
    ),
    "canonical.target": Rule(
        "error",
        "structure",
        "The canonical of a {found} is not allowed here.",
        "Give that of one of: {allowed}.",
        "references.html#canonical",
    ),
    "url.unresolved": Rule(
        "warning",
        "not-found",
        "No entry of the Bundle has the fullUrl that this URL leads to.",
        "Add the entry, or put the content inline.",
        "bundle.html#references",
    ),
    "narrative.link": Rule(
        "error",
        "not-found",
        "The narrative links to, or shows, a place in itself that is not there.",
        "Give the target element that `id`, or take the link away.",
        "narrative.html#id",
    ),
    "element.duplicate-id": Rule(
        "error",
        "duplicate",
        "Two elements of this resource have the same id.",
        "Give each its own id, or none.",
        "element-definitions.html#Element.id",
    ),
    "contained.duplicate-id": Rule(
        "error",
        "duplicate",
        "Two contained resources have the same id.",
        "Give each its own id.",
        "references.html#contained",
    ),
    "contained.island": Rule(
        "warning",
        "business-rule",
        "Only contained resources refer to this one, in a circle: nothing leads to it.",
        "Refer to it from the resource that contains it, or leave it out.",
        "references.html#contained",
    ),
}
_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:")
_HL7 = re.compile(r"http://hl7\.org/fhir/([A-Z][A-Za-z]+)/[A-Za-z0-9\-.]+(?:\||$)")
# Both are compiled when first needed: few narratives link into themselves.
_HREF = r"""<(?:[A-Za-z0-9]+:)?(?:a|img)\s[^>]*?\b(?:href|src)\s*=\s*(?:"#([^"]*)"|'#([^']*)')"""
_ANCHOR = r"""\s(?:id|name)\s*=\s*(?:"([^"]*)"|'([^']*)')"""


def check_pointers(gathered: Gathered, index: Index, release: str) -> Iterator[Issue]:
    """Yield what is wrong with canonicals, attachments' URLs and narrative links.

    Args:
        gathered: What the walk collected from the file.
        index: The file's index.
        release: ``R4``.
    """
    for link in gathered.canonicals:
        yield from _canonical(link, index, release)
    for link in gathered.urls:
        yield from _url(link, index, release)
    for link in gathered.narratives:
        if "#" in link[1] and _dangling(link, gathered, index):
            yield finding(RULES, "narrative.link", link[0], release)
    seen: set[tuple[int, str]] = set()
    for path, own, scope in gathered.element_ids:
        # The elements of a profile are named by their ids, in the snapshot as in the differential.
        if scope.type != "StructureDefinition" and (id(scope), own) in seen:
            yield finding(RULES, "element.duplicate-id", path, release)
        seen.add((id(scope), own))


def _canonical(link: LinkAt, index: Index, release: str) -> Iterator[Issue]:
    path, text, targets, scope = link
    if text.startswith("#"):
        found = index.fragment(Target("fragment", id=text[1:]), scope)
        if not found:
            yield finding(RULES, "canonical.contained", path, release)
    else:
        url, _, version = text.partition("#")[0].partition("|")
        if url and not _SCHEME.match(url):
            yield finding(RULES, "canonical.relative", path, release)
        found = index.canonical(url)
        if version:
            found = [s for s in found if s.resource.get("version") in {version, None}]
    types = {s.type for s in found} or _standards_own(text, index)
    if types and targets is not None and types.isdisjoint(targets):
        allowed = ", ".join(sorted(targets))
        words = ", ".join(sorted(types))
        yield finding(RULES, "canonical.target", path, release, found=words, allowed=allowed)


def _standards_own(text: str, index: Index) -> set[str]:
    """The type that a canonical of the standard itself names, such as ``http://hl7.org/fhir/ValueSet/x``."""
    match = _HL7.match(text)
    return {match[1]} if match and match[1] in index.types else set()


def _url(link: LinkAt, index: Index, release: str) -> Iterator[Issue]:
    """An attachment may point at an entry (``Binary``) by URN; a resource's own ``url`` names, not points."""
    path, text, _, scope = link
    if not text.startswith(("urn:uuid:", "urn:oid:")) or path[1] != "url" or path[0] is scope.path:
        return
    bundle = index.around(scope).bundle
    if bundle is not None and not index.in_bundle(text, bundle):
        yield finding(RULES, "url.unresolved", path, release)


def _ids(pattern: str, div: str) -> set[str]:
    return {m[1] if m[1] is not None else m[2] for m in re.finditer(pattern, div, re.IGNORECASE)}


def _dangling(link: LinkAt, gathered: Gathered, index: Index) -> bool:
    _, div, _, scope = link
    wanted = _ids(_HREF, div) - {""}
    if wanted:
        wanted -= _ids(_ANCHOR, div)
    if not wanted:
        return False
    around = index.around(scope)
    # A document is read as one page, so a link may lead to another section or resource of it.
    whole = bundle_type(around.bundle) == "document"
    for _, other, _, there in gathered.narratives:
        seen = index.around(there)
        if seen.owner is around.owner or (whole and seen.bundle is around.bundle):
            wanted -= _ids(_ANCHOR, other)
    return bool(wanted - set(element_ids(around.owner.resource)))


def check_contained(gathered: Gathered, index: Index, release: str) -> Iterator[Issue]:
    """Yield contained resources that share an id, and those that only lead to each other.

    Args:
        gathered: What the walk collected from the file.
        index: The file's index.
        release: ``R4``.
    """
    edges: dict[int, list[ResourceScope]] = {}
    texts: list[tuple[Any, ResourceScope]] = [(r.get("reference"), s) for _, r, _, s in gathered.references]
    texts += [(text, s) for _, text, _, s in (*gathered.canonicals, *gathered.urls)]
    for text, scope in texts:
        if isinstance(text, str) and text.startswith("#"):
            found = index.fragment(Target("fragment", id=text[1:]), scope)
            edges.setdefault(id(scope), []).extend(found)
    for group in index.contained.values():
        seen: set[str] = set()
        for scope in group:
            own = scope.resource.get("id")
            if isinstance(own, str) and own in seen:
                yield finding(RULES, "contained.duplicate-id", (scope.path, "id"), release)
            elif isinstance(own, str):
                seen.add(own)
        for scope in _islands(group, edges, index):
            yield finding(RULES, "contained.island", scope.path, release)


def _islands(
    group: list[ResourceScope], edges: dict[int, list[ResourceScope]], index: Index
) -> Iterator[ResourceScope]:
    """Yield the contained resources of one owner that are referred to, but by no way that starts outside."""
    owner = index.around(group[0]).owner
    # dom-3 counts a contained resource that points back at its container as used.
    todo = [owner, *(s for s in group if owner in edges.get(id(s), ()))]
    reached = {id(s) for s in todo}
    while todo:
        for scope in edges.get(id(todo.pop()), ()):
            if id(scope) not in reached:
                reached.add(id(scope))
                todo.append(scope)
    pointed_at = {id(s) for other in group for s in edges.get(id(other), ())}
    for scope in group:
        if id(scope) not in reached and id(scope) in pointed_at:
            yield scope
