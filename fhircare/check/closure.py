"""Documents and messages: everything that must be inside is inside, and nothing else is.

A document holds its Composition first and what that refers to; the standard names the references that must be
met inside, and lets in only what is linked with the Composition
(https://hl7.org/fhir/R4/documents.html#content). A message holds its MessageHeader first and what its focus
refers to (https://hl7.org/fhir/R4/messaging.html).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.check.path import steps
from fhircare.check.resolution import Index, bundle_type, read_target
from fhircare.check.rule import Rule, finding

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from fhircare.check.gather import Gathered, ResourceScope
    from fhircare.check.path import Path
    from fhircare.check.report import Issue
    from fhircare.spec import Definitions

RULES = {
    "document.missing": Rule(
        "error",
        "not-found",
        "What a document's Composition refers to here must be an entry of the document.",
        "Add the resource as an entry, with the fullUrl that the reference leads to.",
        "documents.html#content",
    ),
    "document.stray": Rule(
        "error",
        "business-rule",
        "Nothing links this entry with the Composition.",
        "Refer to it from a section, or leave it out of the document.",
        "documents.html#content",
    ),
    "document.backward": Rule(
        "warning",
        "business-rule",
        "The Composition does not lead to this entry: only the entry leads to others.",
        "Refer to it from a section. Only Provenance may be linked this way round.",
        "documents.html#content",
    ),
    "message.missing": Rule(
        "error",
        "not-found",
        "The focus of a message must be an entry of the message.",
        "Add the resource as an entry, with the fullUrl that the reference leads to.",
        "messaging.html",
    ),
    "message.stray": Rule(
        "warning",
        "business-rule",
        "Nothing links this entry with the MessageHeader.",
        "Leave it out, unless the receiver needs it.",
        "messaging.html",
    ),
}
_MET_INSIDE = frozenset({"subject", "encounter", "author", "custodian", "party", "detail", "focus", "entry"})
_PARTS = frozenset({"attester", "event", "section"})


def check_closure(
    bundle: ResourceScope, scopes: Mapping[int, ResourceScope], gathered: Gathered, spec: Definitions
) -> Iterator[Issue]:
    """Yield what a document or a message lacks, and what stands in it without a link.

    Args:
        bundle: The Bundle, of type document or message.
        scopes: Its entries' resources, by the entry's index; the first is a Composition or MessageHeader.
        gathered: What the walk collected from the whole file.
        spec: The definitions of the file's release.
    """
    index = Index(gathered, spec.resource_types)
    kind = bundle_type(bundle)
    edges: dict[int, list[ResourceScope]] = {}
    lost: set[str] = set()
    for path, text, scope in _literals(gathered):
        around = index.around(scope)
        if around.bundle is not bundle or around.entry is None:
            continue
        found = index.find(text, scope)
        target = read_target(text, index.types)
        # A reference that misses its entry by the fullUrl alone is one fault, not two.
        meant = found or (index.same_identity(target, bundle) if target.kind == "restful" else [])
        edges.setdefault(id(around.entry), []).extend(meant)
        inside = path[1] == "reference" and scope is scopes[0] and _must_be_met(path, scope)
        if not found and (inside or (target.kind == "urn" and path[1] == "reference")):
            lost.add(target.type)
        # A URN or fragment that leads nowhere is reported with all other references.
        if not found and inside and target.kind in {"restful", "absolute"}:
            yield finding(RULES, f"{kind}.missing", path, spec.release)
    for _, url, _, scope in gathered.canonicals:
        around = index.around(scope)
        if around.bundle is bundle and around.entry is not None:
            edges.setdefault(id(around.entry), []).extend(index.canonical(url.partition("|")[0]))
    yield from _strays(bundle, scopes, edges, lost, spec.release)


def _literals(gathered: Gathered) -> Iterator[tuple[Path, str, ResourceScope]]:
    for path, reference, _, scope in gathered.references:
        text = reference.get("reference")
        if isinstance(text, str) and text:
            yield (path, "reference"), text, scope
    for path, text, _, scope in gathered.urls:
        if text:
            yield path, text, scope


def _must_be_met(path: Path, first: ResourceScope) -> bool:
    """Tell whether a reference must be met inside: all a Composition's own save relatesTo, and the focus."""
    names = [s for s in steps(path)[len(steps(first.path)) :] if isinstance(s, str)]
    if names[-1] != "reference":
        return False
    if first.type == "MessageHeader":
        return names[:-1] == ["focus"]
    *parts, last = names[:-1]
    return last in _MET_INSIDE and _PARTS.issuperset(parts)


def _strays(
    bundle: ResourceScope,
    scopes: Mapping[int, ResourceScope],
    edges: dict[int, list[ResourceScope]],
    lost: set[str],
    release: str,
) -> Iterator[Issue]:
    """Yield the entries that nothing links with the first, unless a lost reference may mean them.

    Args:
        bundle: The document or message.
        scopes: Its entries' resources, by index.
        edges: What each entry leads to.
        lost: The types that references leading nowhere name, "" for one that names none.
        release: ``R4``.
    """
    kind = bundle_type(bundle)
    reached: set[int] = set()

    def visit(scope: ResourceScope) -> None:
        todo = [scope]
        while todo:
            here = todo.pop()
            if id(here) not in reached:
                reached.add(id(here))
                todo.extend(edges.get(id(here), ()))

    visit(scopes[0])
    for style in _stylesheets(bundle, scopes):
        visit(style)
    found = True
    while found:
        found = False
        for i, scope in scopes.items():
            if id(scope) not in reached and any(id(t) in reached for t in edges.get(id(scope), ())):
                found = True
                visit(scope)
                if kind == "document" and scope.type != "Provenance":
                    yield finding(RULES, "document.backward", ((bundle.path, "entry"), i), release)
    for i, scope in scopes.items():
        if id(scope) not in reached and not lost & {"", scope.type}:
            yield finding(RULES, f"{kind}.stray", ((bundle.path, "entry"), i), release)


def _stylesheets(bundle: ResourceScope, scopes: Mapping[int, ResourceScope]) -> Iterator[ResourceScope]:
    """A document may bring the style sheets that its links name."""
    links = bundle.resource.get("link")
    named = {
        link.get("url")
        for link in (links if isinstance(links, list) else ())
        if isinstance(link, dict) and link.get("relation") == "stylesheet"
    }
    for scope in scopes.values():
        if scope.full_url in named or f"{scope.type}/{scope.resource.get('id')}" in named:
            yield scope
