"""The state of one walk over one file: what was found, what was gathered, and the resource one stands in.

The compiled checkers (``compile``) call straight into each other; each takes ``(o, p, w)``: the JSON
object, its path and this ``Walk``. ``resource`` is where a walk enters a resource, at the root or
anywhere inside.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from fhircare.check.gather import Gathered, ResourceScope
from fhircare.check.links import PAGES
from fhircare.check.path import Path, render
from fhircare.check.primitives import predicates
from fhircare.check.report import Issue, Severity
from fhircare.check.words import nearest, sentence

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.spec import Definitions

    Checker = Callable[[Any, Path, "Walk"], None]


class Env:
    """What an invariant may ask: the resource it stands in, its container, and what is referenced."""

    __slots__ = ("resource", "root_resource", "walk")

    def __init__(self, resource: dict[str, Any], root_resource: dict[str, Any], walk: Walk | None) -> None:
        self.resource, self.root_resource, self.walk = resource, root_resource, walk

    def resolve(self, reference: str) -> dict[str, Any] | None:
        """Return the resource a reference points at, contained here or in the same Bundle; else None."""
        if reference.startswith("#"):
            if reference == "#":
                return self.root_resource
            contained = self.root_resource.get("contained")
            for inner in contained if isinstance(contained, list) else ():
                if isinstance(inner, dict) and inner.get("id") == reference[1:]:
                    return inner
            return None
        return self.walk.resolve(reference) if self.walk is not None else None

    def member_of(self, value: Any, value_set: str) -> bool | None:  # noqa: ARG002 - no published rule asks
        """Tell whether a code is in a value set; here always None: not known."""
        return None

    def conforms_to(self, node: Any, profile: str) -> bool | None:  # noqa: ARG002 - see member_of
        """Tell whether an element conforms to a profile; here always None: not known."""
        return None


class Walk:
    """One walk over one file.

    Attributes:
        definitions: The release's definitions.
        checkers: Compiled checkers by resource type; compiles on first use.
        issues: Findings so far, each with its path.
        gathered: What the checks of references and bundles will need.
        references, canonicals, urls, narratives, codings, concepts: The lists of ``gathered``, one attribute
        nearer for the hot path.
        scope: The resource one stands in.
        env: The same for invariants.
        sound: The quick test of each primitive type of the release.
        keys: Number of object members met; what a count of keys in the text is compared with.
    """

    __slots__ = (
        "_targets",
        "canonicals",
        "checkers",
        "codings",
        "concepts",
        "definitions",
        "env",
        "gathered",
        "issues",
        "keys",
        "narratives",
        "references",
        "root",
        "scope",
        "sound",
        "urls",
    )

    def __init__(self, definitions: Definitions, checkers: Callable[[str], Checker]) -> None:
        self.definitions = definitions
        self.checkers = checkers
        self.issues: list[tuple[Path, Issue]] = []
        self.gathered = gathered = Gathered()
        self.references, self.canonicals = gathered.references, gathered.canonicals
        self.urls, self.narratives = gathered.urls, gathered.narratives
        self.codings, self.concepts = gathered.codings, gathered.concepts
        self.sound = predicates(definitions.release)
        self.keys = 0
        self.root: dict[str, Any] = {}
        self.scope = ResourceScope((None, ""), self.root, "")
        self.env = Env(self.root, self.root, self)
        self._targets: dict[str, dict[str, Any]] | None = None

    def say(
        self,
        path: Path,
        severity: Severity,
        code: str,
        rule: str,
        message: str,
        mend: str = "",
        link: str = "",
    ) -> None:
        """Write down a finding; a link to a page of R4 becomes one to the same page of the file's release."""
        if self.definitions.release != "R4":
            link = link.replace(PAGES["R4"], PAGES[self.definitions.release])
        self.issues.append(
            (path, Issue(severity, code, render(path), rule, sentence(message), sentence(mend), link))
        )

    def leave(self) -> None:
        """End the walk: let go of what points back at it, so that nothing circular is left."""
        self.gathered.faultless = not self.issues
        self.env = Env(self.root, self.root, None)

    def resolve(self, reference: str) -> dict[str, Any] | None:
        """Return the entry of the root Bundle that a reference names, by fullUrl or by type and id."""
        if self._targets is None:
            self._targets = {}
            entries = self.root.get("entry") if self.root.get("resourceType") == "Bundle" else None
            for entry in entries if isinstance(entries, list) else ():
                inner = entry.get("resource") if isinstance(entry, dict) else None
                if not isinstance(inner, dict):
                    continue
                for name in (entry.get("fullUrl"), f"{inner.get('resourceType')}/{inner.get('id')}"):
                    if isinstance(name, str):
                        self._targets.setdefault(name, inner)
        return self._targets.get(reference.split("/_history/", maxsplit=1)[0])

    def enter(
        self,
        o: Any,
        p: Path,
        kind: Literal["root", "entry", "contained", "part"],
        entry: dict[str, Any] | None = None,
    ) -> None:
        """Check one resource, wherever it stands.

        Args:
            o: What stands where a resource is due.
            p: Its path.
            kind: As in ``ResourceScope``.
            entry: The Bundle entry around it, when there is one.
        """
        if o.__class__ is not dict or not o:
            what = "empty object" if o.__class__ is dict else "not a JSON object"
            self.say(
                p, "error", "structure", "json.type", f"{what} where a resource is due", "give a resource"
            )
            return
        name = o.get("resourceType")
        if name.__class__ is not str or name not in self.definitions.resource_types:
            self._unknown_type(o, p, name)
            return
        full_url = entry.get("fullUrl") if entry is not None else None
        outer, outer_env = self.scope, self.env
        scope = ResourceScope(
            p,
            o,
            name,
            kind,
            None if kind == "root" else outer,
            full_url if full_url.__class__ is str else None,
        )
        self.scope = scope
        self.gathered.resources.append(scope)
        self.env = Env(o, outer_env.root_resource if kind == "contained" else o, self)
        self.checkers(name)(o, p, self)
        self.scope, self.env = outer, outer_env

    def _unknown_type(self, o: dict[str, Any], p: Path, name: Any) -> None:
        if "resourceType" not in o:
            mend = 'say which resource it is, with "resourceType": "..."'
            self.say(
                (p, "resourceType"),
                "error",
                "structure",
                "resource.type-missing",
                "the member resourceType is missing",
                mend,
            )
            return
        near = nearest(name, self.definitions.resource_types) if isinstance(name, str) else []
        mend = f"did you mean {' or '.join(near)}?" if near else "name a resource type of this release"
        self.say(
            (p, "resourceType"),
            "error",
            "structure",
            "resource.type-unknown",
            f"not a resource type of FHIR {self.definitions.release}",
            mend,
            "https://hl7.org/fhir/R4/resourcelist.html",
        )
