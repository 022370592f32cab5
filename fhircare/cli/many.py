"""What a bulk run reads, opened here: a folder of files, a table, or lines, one item in memory at a time."""

from __future__ import annotations

import posixpath
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from fhircare.bulk import Item, lines_of, rows_of, stem
from fhircare.errors import Fault, InputError
from fhircare.files import PACKED, below, open_lines, read_bytes, size_of, unpacking

if TYPE_CHECKING:
    from collections.abc import Iterator

LINES = (".ndjson", ".jsonl")
TABLES = (".csv", ".tsv")
RECORDS = (".yaml", ".yml", ".json")


class Kinds(NamedTuple):
    """The endings a verb takes, and the largest whole file it reads, in bytes."""

    whole: tuple[str, ...]
    tables: tuple[str, ...]
    most: int

    @property
    def all(self) -> tuple[str, ...]:
        """Every ending, packed ones too."""
        plain = (*self.whole, *LINES, *self.tables)
        return (*plain, *(ending + PACKED for ending in plain))


class Sources:
    """The items of a source, in an order that is always the same.

    Attributes:
        total: Size of all files, in bytes as they lie on disk.
        position: How much of that has been read.
    """

    def __init__(self, source: str, kinds: Kinds, *, but: str) -> None:
        """Look at what is there; nothing is read yet.

        Args:
            source: A file or a folder.
            kinds: What is taken.
            but: A folder below it that is passed over: the one that is written to.

        Raises:
            InputError: When there is nothing to read.
        """
        self._source, self._kinds, self._but = source, kinds, but
        self.position = 0
        self._folder = Path(source).is_dir()
        self.total = -1
        for _, size in self._files():
            self.total = max(self.total, 0) + size
        if self.total < 0:
            raise InputError(
                Fault("", "is a folder without any " + " or ".join(kinds.all[: len(kinds.all) // 2]),
                      "name another folder, or a file"),
                file=source,
            )  # fmt: skip

    def items(self) -> Iterator[Item]:
        """Yield every item; what cannot be read is an item that has failed, and the rest goes on."""
        taken: set[str] = set()
        folder = ""
        done = 0
        for name, size in self._files():
            if posixpath.dirname(name) != folder:
                folder, taken = posixpath.dirname(name), set()
            plain = name.removesuffix(PACKED)
            if plain.endswith((*LINES, *self._kinds.tables)):
                yield from self._streamed(name, done)
            else:
                yield self._whole(name, clashes=stem(name) in taken)
                taken.add(stem(name))
            done += size
            self.position = done

    def _files(self) -> Iterator[tuple[str, int]]:
        if self._folder:
            yield from below(self._source, self._kinds.all, but=self._but)
            return
        size = size_of(self._source)
        if size is None:
            raise InputError(Fault("", "does not exist", "check the name"), file=self._source)
        if not self._source.endswith(self._kinds.all):
            endings = ", ".join(self._kinds.all[: len(self._kinds.all) // 2])
            raise InputError(
                Fault("", "does not tell by its ending what it is", f"{endings}, or these with {PACKED}"),
                file=self._source,
            )
        yield Path(self._source).name, size

    def _path(self, name: str) -> str:
        return str(Path(self._source) / name) if self._folder else self._source

    def _whole(self, name: str, *, clashes: bool) -> Item:
        if clashes:
            fault = Fault("", "has the name of another file but for its ending", "rename one of the two")
            return Item(name, 0, "text", b"", (fault,))
        try:
            return Item(name, 0, "text", read_bytes(self._path(name), most=self._kinds.most))
        except InputError as error:
            return Item(name, 0, "text", b"", tuple(error.faults))

    def _streamed(self, name: str, before: int) -> Iterator[Item]:
        line = 0
        try:
            with open_lines(self._path(name)) as stream, unpacking(name):
                found = (rows_of if name.removesuffix(PACKED).endswith(TABLES) else lines_of)(name, stream)
                # Of a packed file the place in the file itself, not in what is in it.
                at = getattr(getattr(stream, "fileobj", None) or stream, "tell", stream.tell)
                for item in found:
                    line = item.line
                    self.position = before + at()
                    yield item
        except InputError as error:
            # The head of a table, or the rest of a file that broke off: none of it can be used.
            yield Item(name, line + 1, "line", b"", tuple(error.faults))
