"""References: do they lead somewhere, and to a type that is allowed?

Read https://hl7.org/fhir/R4/references.html beside this. The walk hands over what it gathered; nothing is
fetched, so a reference that leaves the file is judged only by what its text says. No finding repeats a
reference's text: it may hold a patient's identifier.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.check.pointers import check_contained, check_pointers
from fhircare.check.resolution import Index, Target, bundle_type, entry_of, read_target, version_of
from fhircare.check.rule import Rule, finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.check.gather import Gathered, ReferenceAt, ResourceScope
    from fhircare.check.path import Path
    from fhircare.check.report import Issue
    from fhircare.spec import Definitions

# Where a server's own address is the base, so that a relative reference has a meaning outside the Bundle.
_SENT_TO_A_SERVER = frozenset({"transaction", "batch", "transaction-response", "batch-response"})
_PROFILE = "http://hl7.org/fhir/StructureDefinition/"
_RESOLVING = "bundle.html#references"

RULES = {
    "reference.target": Rule(
        "error",
        "structure",
        "A reference to a {found} is not allowed here.",
        "Refer to one of: {allowed}.",
        "references.html#Reference",
    ),
    "reference.type": Rule(
        "error",
        "value",
        "The reference says that it leads to a {stated}, but it leads to a {found}.",
        "Make `type` and `reference` agree.",
        "references.html#Reference",
    ),
    "reference.type-name": Rule(
        "error",
        "value",
        "The type of a reference is no resource type of this release.",
        "Name the type of what the reference leads to, or leave `type` out.",
        "references-definitions.html#Reference.type",
    ),
    "reference.format": Rule(
        "warning",
        "value",
        "{problem}",
        "Write [type]/[id] with one of these types: {allowed}; or a whole URL, or a URN.",
        "references.html#literal",
    ),
    "reference.unresolved": Rule(
        "error",
        "not-found",
        "No entry has the fullUrl that this reference leads to, and a URN can be found nowhere else.",
        "{mend}",
        _RESOLVING,
    ),
    "reference.ambiguous": Rule(
        "error",
        "multiple-matches",
        "More than one entry of the Bundle answers to this reference.",
        "Give each entry its own fullUrl, or name the version meant (/_history/[version]).",
        _RESOLVING,
    ),
    "reference.version": Rule(
        "warning",
        "not-found",
        "The Bundle holds this resource, but not in the version that the reference names.",
        "Give the entry's resource that meta.versionId, or leave the version off the reference.",
        _RESOLVING,
    ),
    "reference.base": Rule(
        "warning",
        "not-found",
        "An entry has this type and id, but its fullUrl is not what the reference leads to.",
        "Refer by the entry's fullUrl, or give both entries fullUrls with one service base.",
        _RESOLVING,
    ),
    "reference.relative": Rule(
        "warning",
        "not-found",
        "A relative reference has no meaning here: its entry has no fullUrl with a service base.",
        "Refer by the target's fullUrl, or give the entry a RESTful fullUrl.",
        _RESOLVING,
    ),
    "reference.conditional": Rule(
        "error",
        "value",
        "A search in place of a reference has a meaning in a transaction only.",
        "Refer by URL: [type]/[id].",
        "http.html#trules",
    ),
    "reference.batch": Rule(
        "error",
        "business-rule",
        "Entries of a batch must not depend on each other, and this one refers to one being created.",
        "Send a transaction, or create the target first and refer to it by URL.",
        "http.html#brules",
    ),
    "ref-1": Rule(
        "error",
        "invariant",
        "{problem}",
        "Put the resource into `contained` with this id, or refer to where it is.",
        "references.html#contained",
    ),
}


def check_references(gathered: Gathered, spec: Definitions) -> Iterator[Issue]:
    """Yield what is wrong with the references and links of one file, and with contained resources.

    Args:
        gathered: What the walk collected from the file.
        spec: The definitions of the file's release.
    """
    if not (
        gathered.references
        or gathered.canonicals
        or gathered.urls
        or gathered.narratives
        or gathered.element_ids
    ):
        return
    index = Index(gathered, spec.resource_types)
    sound: set[tuple[Any, ...]] = set()
    for at in gathered.references:
        key = _key(at)
        if key is None or key not in sound:
            issues = list(_reference(at, index, spec.release))
            if key is not None and not issues:
                sound.add(key)
            yield from issues
    yield from check_pointers(gathered, index, spec.release)
    if index.contained:
        yield from check_contained(gathered, index, spec.release)


def _key(ref: ReferenceAt) -> tuple[Any, ...] | None:
    """Return all that a URN's outcome depends on: a bundle names its patient often, and looks once.

    None where more matters: relative references, contained resources, and batches, whose entries stand alone.
    """
    _, reference, targets, scope = ref
    text, bundle = reference.get("reference"), scope.container
    if scope.kind != "entry" or not isinstance(text, str) or not text.startswith("urn:"):
        return None
    stated = reference.get("type")
    if bundle_type(bundle) == "batch" or not (stated is None or isinstance(stated, str)):
        return None
    return text, stated, targets, id(bundle)


class _At(NamedTuple):
    """One literal reference, read and looked for."""

    path: Path
    place: Path
    text: str
    target: Target
    found: list[ResourceScope]
    scope: ResourceScope
    known: Index
    release: str

    def finding(self, key: str, **words: object) -> Issue:
        return finding(RULES, key, self.place, self.release, **words)  # type: ignore[arg-type]


def _reference(ref: ReferenceAt, index: Index, release: str) -> Iterator[Issue]:
    path, reference, targets, scope = ref
    text, stated = reference.get("reference"), reference.get("type")
    actual = ""
    if isinstance(text, str) and text:
        target = read_target(text, index.types)
        found = index.find(text, scope)
        at = _At(path, (path, "reference"), text, target, found, scope, index, release)
        actual = found[0].type if found else target.type
        yield from _resolution(at)
        yield from _as_used(at)
        if target.kind == "malformed":
            yield from _malformed(at, targets)
        if actual and targets is not None and actual not in targets:
            yield at.finding("reference.target", found=actual, allowed=_list(targets))
    if isinstance(stated, str):
        stated = stated.removeprefix(_PROFILE)
        place = (path, "type")
        if stated not in index.types:
            # An absolute URL may name a logical model; anything else must be a resource type.
            if ":" not in stated:
                yield finding(RULES, "reference.type-name", place, release)
            return
        if actual and stated != actual:
            yield finding(RULES, "reference.type", place, release, stated=stated, found=actual)
        elif not actual and targets is not None and stated not in targets:
            yield finding(RULES, "reference.target", place, release, found=stated, allowed=_list(targets))


def _list(types: frozenset[str]) -> str:
    return ", ".join(sorted(types))


def _resolution(at: _At) -> Iterator[Issue]:
    """Whether the literal leads to one resource, to several, or to none where there must be one."""
    bundle = at.known.around(at.scope).bundle
    kind = at.target.kind
    if len(at.found) > 1 and kind != "fragment":
        # A history holds the same resource many times by its nature; the same version twice is for bdl-7.
        if bundle_type(bundle) != "history" and len({version_of(s) for s in at.found}) == len(at.found):
            yield at.finding("reference.ambiguous")
    elif at.found:
        if at.target.version and not version_of(at.found[0]):
            yield at.finding("reference.version")
    elif at.known.unreadable(at.target, at.text, at.scope):
        return  # what it leads to is no resource, which the walk has said
    elif kind == "fragment":
        problem = "The reference leads to a contained resource that is not there."
        if not at.target.id:
            problem = "Only a contained resource may refer to `#`, the resource that contains it."
        yield finding(RULES, "ref-1", at.path, at.release, problem=problem)
    elif kind == "urn":
        yield _urn(at, bundle)
    elif kind == "restful" and bundle is not None:
        yield from _elsewhere(at, bundle)


def _urn(at: _At, bundle: ResourceScope | None) -> Issue:
    if bundle is None:
        mend = "Refer by URL, or send the resource in a Bundle together with its target."
        return at.finding("reference.unresolved", mend=mend, severity="information")
    mend = "Add the entry that is meant, with this value as its fullUrl, or correct the reference."
    if at.known.other_spelling(at.text, bundle):
        mend = "An entry's fullUrl differs only in upper and lower case: write lower case in both places."
    return at.finding("reference.unresolved", mend=mend)


def _elsewhere(at: _At, bundle: ResourceScope) -> Iterator[Issue]:
    """A RESTful reference that no entry answers to: it may be on a server, or be meant for an entry."""
    around = at.known.around(at.scope)
    if bundle_type(bundle) == "document" and at.scope.type == "Composition":
        return  # the document lacks it, which ``closure`` says
    url = at.known.absolute(at.target, around)
    if url and at.known.in_bundle(url, bundle):
        yield at.finding("reference.version")
    elif at.known.same_identity(at.target, bundle):
        yield at.finding("reference.base")
    elif not url and around.entry is not None and bundle_type(bundle) not in _SENT_TO_A_SERVER:
        yield at.finding("reference.relative")


def _as_used(at: _At) -> Iterator[Issue]:
    """What may not be referred to in this kind of Bundle."""
    around = at.known.around(at.scope)
    kind = bundle_type(around.bundle)
    if at.target.kind == "conditional" and kind not in _SENT_TO_A_SERVER:
        yield at.finding("reference.conditional", severity="error" if around.bundle else "warning")
    if kind == "batch" and at.found and at.found[0] is not around.entry:
        there = entry_of(at.found[0])
        request = there[1].get("request") if there else None
        if isinstance(request, dict) and request.get("method") == "POST":
            yield at.finding("reference.batch")


def _malformed(at: _At, targets: frozenset[str] | None) -> Iterator[Issue]:
    allowed = _list(targets) if targets is not None else "any resource type of this release"
    head, slash, rest = at.text.partition("/")
    if any(c.isspace() for c in at.text):
        problem, sure = "The reference holds white space, so it is no URI.", True
    elif slash and rest and "/" not in rest and head[:1].isupper() and head.isalpha():
        sure = True
        if head in at.known.types:
            problem = "The id in this reference is no FHIR id: letters, digits, `-` and `.`, at most 64."
        else:
            problem = "The reference names a type that is no resource type of this release."
    else:
        problem = "This is neither a relative reference nor an absolute URI."
        # Among the entries of a Bundle it can mean nothing at all; alone, its own server might know.
        sure = at.known.around(at.scope).bundle is not None
    yield at.finding(
        "reference.format", problem=problem, allowed=allowed, severity="error" if sure else "warning"
    )
