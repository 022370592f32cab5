"""What is told of a plan that another system wrote: items in parts, each with its place."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from fhircare.bundle.told import Told

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

Part = Literal[
    "do", "do-not", "signs", "visits", "goals", "problems", "allergies", "devices", "measures", "documents",
    "people",
]  # fmt: skip
PARTS: tuple[Part, ...] = (
    "do", "do-not", "signs", "visits", "goals", "problems", "allergies", "devices", "measures", "documents",
    "people",
)  # fmt: skip
"""The parts of a retold plan, in the order of the page."""


@dataclass(frozen=True)
class Fact:
    """One thing that a resource says: the element's name, such as ``occurrenceTiming``, and what it tells."""

    element: str
    told: Told


@dataclass(frozen=True)
class Item:
    """A resource retold.

    Attributes: kind: Its type; ``detail`` for CarePlan.activity.detail, ``target`` for a target of a goal.
        title: What it is called, None where it is called nothing. facts: What else it says. path: Its
        FHIRPath. parts: What it is made of, such as the targets of a goal.
    """

    kind: str
    title: Told | None
    facts: tuple[Fact, ...]
    path: str
    parts: tuple[Item, ...] = ()

    @property
    def paths(self) -> Iterator[str]:
        """The FHIRPath of every leaf that is told."""
        for told in (*([self.title] if self.title else ()), *(fact.told for fact in self.facts)):
            yield from told.paths
        for part in self.parts:
            yield from part.paths


@dataclass(frozen=True)
class Prose:
    """A narrative: its heading if it has one, its lines, its language (BCP 47, "" unknown), its path."""

    heading: Told | None
    lines: tuple[str, ...]
    language: str
    path: str


@dataclass(frozen=True)
class Contact:
    """Somebody who may be called: their name, what they are (None unknown), and their phone numbers."""

    name: Told
    role: Told | None
    phones: tuple[Told, ...]


@dataclass(frozen=True)
class Guest:
    """A plan of another system, retold.

    Attributes: about: The CarePlan or Composition itself, None without either. person: Whose it is called.
        born: The day they were born. parts: The items of each part that has some. prose: Its narratives.
        contacts: Whom to call, as far as the bundle names somebody.
        spoken: FHIRPaths of what tells the languages the person reads, which the page follows.
        unusable: True when there is a plan that cannot be told: it may mean something else than it seems to.
    """

    about: Item | None
    person: Told | None
    born: Told | None
    parts: dict[Part, tuple[Item, ...]]
    prose: tuple[Prose, ...]
    contacts: tuple[Contact, ...]
    spoken: tuple[str, ...] = ()
    unusable: bool = False

    @property
    def paths(self) -> Iterator[str]:
        """The FHIRPath of every leaf that is told."""
        yield from self.spoken
        yield from self.about.paths if self.about else ()
        for told in (self.person, self.born):
            yield from told.paths if told else ()
        for items in self.parts.values():
            for item in items:
                yield from item.paths
        for prose in self.prose:
            yield prose.path
            yield from prose.heading.paths if prose.heading else ()
        for contact in self.contacts:
            for one in (contact.name, contact.role, *contact.phones):
                yield from one.paths if one else ()


def moved(part: Any, place: Callable[[str], str]) -> Any:
    """Return a retold plan, or a part of one, with its FHIRPaths as another release has them.

    Args:
        part: A ``Guest``, or anything in one.
        place: What gives the path in the file for a path in R4's spelling.
    """
    if isinstance(part, Told):
        value = (
            tuple(moved(one, place) for one in part.value) if isinstance(part.value, tuple) else part.value
        )
        return replace(part, value=value, path=place(part.path), paths=tuple(map(place, part.paths)))
    if isinstance(part, tuple):
        return tuple(moved(one, place) for one in part)
    if isinstance(part, dict):
        return {name: moved(one, place) for name, one in part.items()}
    if not isinstance(part, Guest | Item | Fact | Prose | Contact):
        return part
    fields = {name: moved(one, place) for name, one in vars(part).items()}
    if isinstance(part, Item | Prose):
        fields["path"] = place(part.path)
    return type(part)(**fields)
