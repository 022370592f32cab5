r"""FHIRPath read into a tree: the whole normative grammar, nothing evaluated and nothing typed.

Grammar and precedence: FHIRPath 2.0.0 (normative release), "Formal Specification" and section 6.8; STU
functions need no grammar of their own. Two things beyond it occur in HL7's published rules and are read as
meant: a double-quoted string (``eld-11`` in R5) and ``\/`` or ``\-`` escapes inside strings that are
regular expressions.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal


class FhirPathError(Exception):
    """An expression that cannot be read or compiled; the message names it and says what stopped it."""

    def __init__(self, expression: str, problem: str) -> None:
        self.expression, self.problem = expression, problem
        super().__init__(f"{problem}, in the FHIRPath expression: {expression}")


class UnknownElementError(FhirPathError):
    """An expression that names an element which the type it stands on has not."""


@dataclass(frozen=True, slots=True)
class Literal:
    """A constant: the System type's name, and its Python value (dates and times as their text)."""

    type: str
    value: str | int | bool | Decimal | tuple[Decimal, str]


@dataclass(frozen=True, slots=True)
class Nothing:
    """The empty collection, ``{}``."""


@dataclass(frozen=True, slots=True)
class Constant:
    """An environment variable: ``%resource``, ``%ucum``, ``%vs-name``."""

    name: str


@dataclass(frozen=True, slots=True)
class Special:
    """``$this``, ``$index`` or ``$total``."""

    name: str


@dataclass(frozen=True, slots=True)
class Member:
    """``target.name``; a missing target is the focus."""

    target: Node | None
    name: str


@dataclass(frozen=True, slots=True)
class Call:
    """``target.name(args)``; a missing target is the focus."""

    target: Node | None
    name: str
    args: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Index:
    """``target[index]``."""

    target: Node
    index: Node


@dataclass(frozen=True, slots=True)
class Sign:
    """Unary plus or minus."""

    op: str
    operand: Node


@dataclass(frozen=True, slots=True)
class Binary:
    """An operator between two expressions."""

    op: str
    left: Node
    right: Node


@dataclass(frozen=True, slots=True)
class TypeTest:
    """``operand is type`` or ``operand as type``."""

    op: str
    operand: Node
    type: str


Node = Literal | Nothing | Constant | Special | Member | Call | Index | Sign | Binary | TypeTest

_TOKEN = re.compile(
    r"""(?P<space>\s+|//[^\n]*|/\*.*?\*/)
    |(?P<datetime>@\d{4}(?:-\d\d(?:-\d\d)?)?(?:T(?:\d\d(?::\d\d(?::\d\d(?:\.\d+)?)?)?)?(?:Z|[+-]\d\d:\d\d)?)?)
    |(?P<time>@T\d\d(?::\d\d(?::\d\d(?:\.\d+)?)?)?)
    |(?P<number>\d+(?:\.\d+)?)
    |(?P<string>'(?:[^'\\]|\\.)*'|"(?:[^"\\]|\\.)*")
    |(?P<quoted>`(?:[^`\\]|\\.)*`)
    |(?P<special>\$(?:this|index|total)\b)
    |(?P<constant>%(?:[A-Za-z_][A-Za-z0-9_-]*|`(?:[^`\\]|\\.)*`|'(?:[^'\\]|\\.)*'))
    |(?P<name>[A-Za-z_][A-Za-z0-9_]*)
    |(?P<op><=|>=|!=|!~|[.()\[\]{},=~<>|+\-*/&])""",
    re.VERBOSE | re.DOTALL,
)
# From the loosest to the tightest: the grammar of FHIRPath 2.0.0, on which R4 and R5 stand.
_LEVELS: tuple[frozenset[str], ...] = (
    frozenset({"implies"}),
    frozenset({"or", "xor"}),
    frozenset({"and"}),
    frozenset({"in", "contains"}),
    frozenset({"=", "~", "!=", "!~"}),
    frozenset({"is", "as"}),
    frozenset({"<", ">", "<=", ">="}),
    frozenset({"|"}),
    frozenset({"+", "-", "&"}),
    frozenset({"*", "/", "div", "mod"}),
)
_TYPE_LEVEL = 5
_UNITS = {
    f"{unit}{plural}"
    for unit in ("year", "month", "week", "day", "hour", "minute", "second", "millisecond")
    for plural in ("", "s")
}
_ESCAPES = {"n": "\n", "r": "\r", "t": "\t", "f": "\f"}
_ESCAPE = re.compile(r"\\(u[0-9A-Fa-f]{4}|.)", re.DOTALL)


def _unescape(text: str) -> str:
    def one(match: re.Match[str]) -> str:
        what = match[1]
        return chr(int(what[1:], 16)) if len(what) == 5 else _ESCAPES.get(what, what)

    return _ESCAPE.sub(one, text)


class _Reader:
    def __init__(self, expression: str) -> None:
        self.expression = expression
        self.tokens: list[tuple[str, str]] = []
        self.at = 0
        position = 0
        while position < len(expression):
            match = _TOKEN.match(expression, position)
            if match is None:
                raise FhirPathError(expression, f"character {position + 1} begins nothing known to FHIRPath")
            position = match.end()
            if match.lastgroup != "space":
                self.tokens.append((str(match.lastgroup), match[0]))
        self.tokens.append(("end", "the end"))

    def fail(self, wanted: str) -> FhirPathError:
        return FhirPathError(self.expression, f"{wanted} expected where {self.tokens[self.at][1]} stands")

    def take(self) -> tuple[str, str]:
        token = self.tokens[self.at]
        self.at += 1
        return token

    def next_is(self, *texts: str) -> bool:
        kind, text = self.tokens[self.at]
        return kind in ("op", "name") and text in texts

    def expect(self, text: str) -> None:
        if not self.next_is(text):
            raise self.fail(text)
        self.at += 1

    def binary(self, level: int = 0) -> Node:
        if level == len(_LEVELS):
            return self.unary()
        left = self.binary(level + 1)
        while self.next_is(*_LEVELS[level]):
            op = self.take()[1]
            if level == _TYPE_LEVEL:
                left = TypeTest(op, left, self.type_name())
            else:
                left = Binary(op, left, self.binary(level + 1))
        return left

    def unary(self) -> Node:
        if self.next_is("+", "-"):
            op = self.take()[1]
            return Sign(op, self.unary())
        return self.postfix()

    def postfix(self) -> Node:
        node = self.term()
        while True:
            if self.next_is("."):
                self.at += 1
                if self.tokens[self.at][0] not in ("name", "quoted"):
                    raise self.fail("an element or function")
                node = self.invocation(node)
            elif self.next_is("["):
                self.at += 1
                node = Index(node, self.binary())
                self.expect("]")
            else:
                return node

    def term(self) -> Node:
        kind, text = self.tokens[self.at]
        if kind in ("name", "quoted"):
            if text in ("true", "false"):
                self.at += 1
                return Literal("System.Boolean", text == "true")
            return self.invocation(None)
        self.at += 1
        match kind, text:
            case "number", _:
                return self.number(text)
            case "string", _:
                return Literal("System.String", _unescape(text[1:-1]))
            case "datetime", _:
                return Literal("System.DateTime" if "T" in text else "System.Date", text[1:].rstrip("T"))
            case "time", _:
                return Literal("System.Time", text[2:])
            case "constant", _:
                return Constant(_unescape(text[1:].strip("`'")))
            case "special", _:
                return Special(text)
            case "op", "(":
                inner = self.binary()
                self.expect(")")
                return inner
            case "op", "{":
                self.expect("}")
                return Nothing()
        self.at -= 1
        raise self.fail("a value")

    def number(self, text: str) -> Literal:
        kind, unit = self.tokens[self.at]
        if kind == "string" or (kind == "name" and unit in _UNITS):
            self.at += 1
            code = _unescape(unit[1:-1]) if kind == "string" else unit.removesuffix("s")
            return Literal("System.Quantity", (Decimal(text), code))
        if "." in text:
            return Literal("System.Decimal", Decimal(text))
        return Literal("System.Integer", int(text))

    def invocation(self, target: Node | None) -> Node:
        kind, text = self.take()
        name = _unescape(text[1:-1]) if kind == "quoted" else text
        if not self.next_is("("):
            return Member(target, name)
        self.at += 1
        args: list[Node] = []
        while not self.next_is(")"):
            args.append(self.binary())
            if not self.next_is(")"):
                self.expect(",")
        self.at += 1
        return Call(target, name, tuple(args))

    def type_name(self) -> str:
        parts: list[str] = []
        while True:
            kind, text = self.take()
            if kind not in ("name", "quoted"):
                self.at -= 1
                raise self.fail("a type")
            parts.append(text.strip("`"))
            if not self.next_is("."):
                return ".".join(parts)
            self.at += 1


def parse(expression: str) -> Node:
    """Read an expression.

    Raises:
        FhirPathError: It is not FHIRPath.
    """
    reader = _Reader(expression)
    node = reader.binary()
    if reader.tokens[reader.at][0] != "end":
        raise reader.fail("the end")
    return node


def type_argument(node: Node, expression: str) -> str:
    """Return the type an argument of ``is``, ``as`` or ``ofType`` names: ``Quantity``, ``FHIR.string``."""
    parts: list[str] = []
    while isinstance(node, Member):
        parts.append(node.name)
        if node.target is None:
            return ".".join(reversed(parts))
        node = node.target
    raise FhirPathError(expression, "the argument of is, as or ofType must be a type's name")
