"""What a bulk run goes through and what comes of each: one record, one bundle, one line.

Nothing here opens a file. An item knows where it stands in its source and what is in it; an outcome says how
it went, in words and counts that hold no patient's data, and carries what is to be written.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Literal, NamedTuple

if TYPE_CHECKING:
    from fhircare.check import Issue
    from fhircare.errors import Fault

Form = Literal["text", "line", "row"]
"""``text``: a whole file; ``line``: one JSON document on a line; ``row``: a table's row as a JSON object."""

State = Literal["done", "found", "failed", "crashed"]
"""``done``: all well. ``found``: checked, and errors were found. ``failed``: cannot be used as it is, and the
same content would fail again. ``crashed``: the process that worked on it died; worth another try."""

_A_FOLDER = 1000
"""Outputs of one source kept in one folder: more are slow to list on many file systems."""


class Item(NamedTuple):
    """One thing to work on.

    Attributes:
        source: Name of the file, relative to the folder that was named, with ``/``.
        line: One-based line, 0 for a whole file.
        form: How it is written.
        data: What is in it.
        faults: What was wrong already while reading; such an item has failed before it was begun.
    """

    source: str
    line: int
    form: Form
    data: bytes
    faults: tuple[Fault, ...] = ()

    @property
    def digest(self) -> bytes:
        """SHA-256 of the content, and of what was wrong with it: the same digest, the same outcome."""
        made = hashlib.sha256(self.data)
        for fault in self.faults:
            made.update(f"\n{fault}".encode())
        return made.digest()

    def output(self, ending: str) -> str:
        """Return the name of what is made of it: the same source and line, the same name.

        Args:
            ending: With its dot, such as ``.json``.
        """
        if self.line:
            return f"{self.source}/{self.line // _A_FOLDER:04d}/{self.line:07d}{ending}"
        return f"{stem(self.source)}{ending}"


class Outcome(NamedTuple):
    """How it went with one item.

    Attributes:
        state: See ``State``.
        identifier: The plan's number, "" when it is not known.
        faults: Why it failed.
        issues: What the check found.
        content: What is to be written, None when nothing is.
    """

    state: State
    identifier: str = ""
    faults: tuple[Fault, ...] = ()
    issues: tuple[Issue, ...] = ()
    content: bytes | None = None


def stem(source: str) -> str:
    """Return a file's name without its ending: ``a/anna.yaml`` and ``a/anna.json.gz`` are both ``a/anna``."""
    plain = source.removesuffix(".gz")
    head, dot, _ = plain.rpartition(".")
    return head if dot and not head.endswith("/") and head else plain
