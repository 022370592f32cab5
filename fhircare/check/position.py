"""From an expression to the line and column in the file. Used only when there is something to point at.

A reading of the text that keeps no values: only at which character each element starts. An element of an
object starts at its name, an element of an array at its value. What belongs to a primitive
(``_birthDate``) is found under the primitive's own name, as FHIRPath has it.
"""

from __future__ import annotations

import re
from bisect import bisect_right

_TOKEN = re.compile(r'"(?:[^"\\]|\\.)*"|[{}\[\],]|:|[^\s"{}\[\]:,]+')
_STEP = re.compile(r"\[\d+\]|\.[^.\[\]]+|[^.\[\]]+")


class Places:
    """Where everything is in one text.

    Attributes:
        duplicates: Expressions (without the root's name) of names that an object has twice, with their
            offsets.
    """

    def __init__(self, text: str, end: int | None = None) -> None:
        self._text = text
        self._starts: dict[str, int] = {}
        self._lines = [0, *(match.end() for match in re.finditer("\n", text))]
        self.duplicates: list[tuple[str, int]] = []
        self._open = ""
        self._read(len(text) if end is None else end)

    def _read(self, end: int) -> None:
        """Go through the tokens once, with a stack of open objects and arrays."""
        starts = self._starts
        stack: list[tuple[str, int, set[str] | None]] = []  # of each: its path, next index, names seen
        path, index = "", -1
        names: set[str] | None = None
        here = ""  # where the next value stands
        key: tuple[str, int] | None = None
        previous = ""
        for match in _TOKEN.finditer(self._text, 0, end):
            token = match.group()
            first = token[0]
            if first == ":":
                if key is not None and names is not None:
                    name = key[0]
                    here = self._name(path, name, key[1], names)
            elif first in "{[":
                if names is None and index >= 0:
                    here = f"{path}[{index}]"
                    starts.setdefault(here, match.start())
                elif not stack:
                    starts.setdefault("", match.start())
                stack.append((path, index, names))
                path, index, names = (here, -1, set()) if first == "{" else (here, 0, None)
            elif first in "}]":
                if not stack:
                    break
                path, index, names = stack.pop()
            elif first == ",":
                if names is None:
                    index += 1
            elif names is None and index >= 0:
                starts.setdefault(f"{path}[{index}]", match.start())
            elif first == '"' and previous in {"{", ","}:
                key = (token[1:-1], match.start())
            previous = first
        self._open = path

    def _name(self, path: str, name: str, start: int, names: set[str]) -> str:
        """Note where a member starts; returns the path of its value."""
        if name in names:
            self.duplicates.append((f"{path}.{name}", start))
        names.add(name)
        self._starts[f"{path}.{name}"] = start
        if name[:1] == "_":
            own = f"{path}.{name[1:]}"
            if name[1:] not in names:
                self._starts.setdefault(own, start)
            return own
        return f"{path}.{name}"

    def of(self, expression: str) -> tuple[int, int]:
        """Return (line, column), both from 1, of an element, or of the nearest around it that is there."""
        steps = _STEP.findall(expression)[1:]
        whole = expression[len(expression.split(".", maxsplit=1)[0]) :]
        if whole in self._starts:
            return self.at(self._starts[whole])
        while steps:
            found = self._starts.get("".join(steps))
            if found is not None:
                return self.at(found)
            steps.pop()
        return self.at(self._starts.get("", 0))

    def at(self, offset: int) -> tuple[int, int]:
        """Return (line, column) of a character."""
        line = bisect_right(self._lines, offset)
        return line, offset - self._lines[line - 1] + 1

    @property
    def innermost(self) -> str:
        """The path of the object or array that is open at the end of what was read."""
        return self._open
