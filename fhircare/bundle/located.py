"""Reading that remembers where: every value read from a bundle knows its FHIRPath.

``Node`` is a place in the JSON and what stands there. Its readers never fail: what is absent or of the wrong
type reads as empty, because a bundle from elsewhere is a guest. They return ``Read`` values, and ``made`` and
``listed`` put those together into the parts of a plan while keeping the places:

    made(Session, start=timing.time("timeOfDay"), minutes=repeat.integer("duration"))
    # Read(Session(...), parts={"start": "Bundle.entry[9].resource…", "minutes": "…"})
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from fhircare.plan import Quantity
from fhircare.spec import terms

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

T = TypeVar("T")
U = TypeVar("U")
Q = TypeVar("Q", bound=Quantity)


@dataclass(frozen=True)
class Read(Generic[T]):
    """A value and where it came from.

    Attributes:
        value: The value.
        path: FHIRPath of the element it was read from, "" when it is composed or was not found.
        parts: For a composed value, the FHIRPath of each leaf by its place below this value, such as
            ``minutes``, ``[2].start`` or ``clinic.phone``.
    """

    value: T
    path: str = ""
    parts: dict[str, str] = field(default_factory=dict)

    def then(self, change: Callable[[T], U]) -> Read[U]:
        """Return the value changed, from the same place."""
        return Read(change(self.value), self.path, self.parts)

    def or_else(self, other: Read[T]) -> Read[T]:
        """Return this, or the other when nothing was found here."""
        return self if self.path or self.parts else other

    def __bool__(self) -> bool:
        return bool(self.path or self.parts)


def made(kind: Callable[..., T], /, **fields: Read[Any]) -> Read[T]:
    """Return a part of a plan made of values that were read, with the places of its leaves."""
    parts: dict[str, str] = {}
    for name, read in fields.items():
        if read.path:
            parts[name] = read.path
        for below, path in read.parts.items():
            parts[name + below if below.startswith("[") else f"{name}.{below}"] = path
    return Read(kind(**{name: read.value for name, read in fields.items()}), "", parts)


def listed(reads: Iterable[Read[T]]) -> Read[tuple[T, ...]]:
    """Return a tuple of values that were read, with the places of its leaves."""
    values: list[T] = []
    parts: dict[str, str] = {}
    for index, read in enumerate(reads):
        values.append(read.value)
        if read.path:
            parts[f"[{index}]"] = read.path
        for below, path in read.parts.items():
            parts[f"[{index}]{'' if below.startswith('[') else '.'}{below}"] = path
    return Read(tuple(values), "", parts)


def choice(read: Read[Any], allowed: Sequence[str], otherwise: Any) -> Read[Any]:
    """Return the value when it is one of those allowed, else ``otherwise``."""
    return read if read.value in allowed else Read(otherwise)


class Node:
    """A place in a bundle's JSON, what stands there, and the resource it is in.

    The FHIRPath is put together only when asked for: most places are only looked at.
    """

    __slots__ = ("_parent", "_step", "resource", "value")

    def __init__(self, value: Any, path: str, resource: Node | None = None) -> None:
        self.value = value
        self.resource = resource
        self._parent: Node | None = None
        self._step = path

    def __bool__(self) -> bool:
        return self.value is not None

    @property
    def path(self) -> str:
        """The FHIRPath of this place from the root of what was read."""
        if self._parent is not None:
            self._step = self._parent.path + self._step
            self._parent = None
        return self._step

    @property
    def kind(self) -> str:
        """The resource type, "" for what is no resource."""
        return self.word("resourceType")

    def _below(self, value: Any, step: str) -> Node:
        node = Node(value, step, self.resource)
        node._parent = self
        return node

    def string(self) -> str:
        """Return the value when it is text, else ""."""
        return self.value if isinstance(self.value, str) else ""

    def get(self, name: str) -> Node:
        """Return an element; its value is None when it is absent."""
        return self._below(self.value.get(name) if isinstance(self.value, dict) else None, f".{name}")

    def word(self, name: str) -> str:
        """Return an element's text, "" when it is absent or no text: what a code is compared with."""
        value = self.value.get(name) if isinstance(self.value, dict) else None
        return value if isinstance(value, str) else ""

    def items(self, name: str) -> list[Node]:
        """Return the members of an array, in order; a single object is taken as an array of one."""
        value = self.value.get(name) if isinstance(self.value, dict) else None
        if isinstance(value, dict):
            return [self.get(name)]
        if not isinstance(value, list):
            return []
        return [self._below(one, f".{name}[{index}]") for index, one in enumerate(value)]

    def first(self, name: str) -> Node:
        """Return the first member of an array; its value is None when there is none."""
        return next(iter(self.items(name)), self._below(None, f".{name}"))

    # ------------------------------------------------------------------ primitives

    def read(self) -> Read[str]:
        """Return this node's own text."""
        return Read(self.value, self.path) if isinstance(self.value, str) and self.value else Read("")

    def text(self, name: str) -> Read[str]:
        """Return an element's text, "" when absent."""
        return self.get(name).read()

    def texts(self, name: str) -> Read[tuple[str, ...]]:
        """Return an array of text; members that are no text are left out."""
        value = self.value.get(name) if isinstance(self.value, dict) else None
        members = value if isinstance(value, list) else []
        return listed(
            Read(v, f"{self.path}.{name}[{i}]") for i, v in enumerate(members) if isinstance(v, str) and v
        )

    def boolean(self, name: str) -> Read[bool]:
        """Return an element's truth, False when absent."""
        node = self.get(name)
        return Read(node.value, node.path) if isinstance(node.value, bool) else Read(False)  # noqa: FBT003

    def decimal(self, name: str) -> Read[Decimal | None]:
        """Return an element's number with its precision, None when absent."""
        return self._parsed(name, _decimal)

    def integer(self, name: str) -> Read[int | None]:
        """Return an element's whole number, None when absent or broken."""
        return self._parsed(name, _integer)

    def date(self, name: str) -> Read[dt.date | None]:
        """Return the day of a date or dateTime; None when absent or less precise than a day."""
        return self._parsed(name, _date)

    def instant(self, name: str) -> Read[dt.datetime | None]:
        """Return a dateTime or instant that has an offset, else None."""
        return self._parsed(name, _instant)

    def time(self, name: str) -> Read[dt.time | None]:
        """Return a clock time, None when absent."""
        return self._parsed(name, _time)

    def _parsed(self, name: str, parse: Callable[[Any], T | None]) -> Read[T | None]:
        node = self.get(name)
        try:
            value = parse(node.value)
        except (ValueError, TypeError, InvalidOperation):
            value = None
        return Read(None) if value is None else Read(value, node.path)

    # ------------------------------------------------------------------ datatypes

    def code_in(self, system: str) -> Read[str]:
        """Return this CodeableConcept's code in one of our listed systems, "" when it has none."""
        uri = terms.uri(system)
        codings = self.value.get("coding") if isinstance(self.value, dict) else None
        for index, coding in enumerate(codings if isinstance(codings, list) else ()):
            if isinstance(coding, dict) and coding.get("system") == uri:
                return self._below(coding, f".coding[{index}]").text("code")
        return Read("")

    def said(self) -> Read[str]:
        """Return what this CodeableConcept says to people: its text, else a display, else a code."""
        codings = self.items("coding")
        for read in (
            self.text("text"),
            *(c.text("display") for c in codings),
            *(c.text("code") for c in codings),
        ):
            if read:
                return read
        return Read("")

    def quantity(self, kind: Callable[..., Q]) -> Read[Q] | None:
        """Return this Quantity with its UCUM code, else its unit; None when it has no value."""
        value = self.decimal("value")
        if not value:
            return None
        return made(kind, value=value, unit=self.text("code").or_else(self.text("unit")))

    def extensions(self, url: str) -> list[Node]:
        """Return the extensions of this URL."""
        return [one for one in self.items("extension") if one.word("url") == url]

    def extension(self, url: str) -> Node:
        """Return the first extension of this URL; its value is None when there is none."""
        return next(iter(self.extensions(url)), self._below(None, ".extension"))

    def telecom(self, system: str) -> Read[str]:
        """Return the first contact of a kind (phone, email, url) that is not an old one."""
        for contact in self.items("telecom"):
            if contact.word("system") == system and contact.word("use") != "old":
                return contact.text("value")
        return Read("")


def _decimal(value: Any) -> Decimal | None:
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        return None
    number = Decimal(str(value)) if isinstance(value, float) else Decimal(value)
    return number if number.is_finite() else None


def _integer(value: Any) -> int | None:
    number = _decimal(value)
    return int(number) if number is not None and abs(number) < 10**12 and number == int(number) else None


def _date(value: Any) -> dt.date | None:
    return dt.date.fromisoformat(value[:10]) if isinstance(value, str) and len(value) >= 10 else None


def _instant(value: Any) -> dt.datetime | None:
    if not isinstance(value, str) or "T" not in value:
        return None
    moment = dt.datetime.fromisoformat(value)
    return moment if moment.tzinfo else None


def _time(value: Any) -> dt.time | None:
    if not isinstance(value, str) or ":" not in value:
        return None
    moment = dt.time.fromisoformat(value)
    return None if moment.tzinfo else moment


def find(nodes: Iterable[Node], wanted: Callable[[Node], Any]) -> Iterator[Node]:
    """Yield the nodes that are wanted."""
    return (node for node in nodes if wanted(node))
