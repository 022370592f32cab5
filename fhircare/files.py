"""The only module that opens the user's files: reads with a bound, writes that happen whole or not at all.

Data that ships inside the package comes through ``importlib.resources``, templates through Jinja2's loader.
"""

from __future__ import annotations

import os
import stat
import sys
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from fhircare.errors import Fault, InputError, OutputError

if TYPE_CHECKING:
    from collections.abc import Iterator

STANDARD = "-"
"""The name that stands for standard input, or standard output."""


def read_bytes(name: str, *, most: int) -> bytes:
    """Return the whole content of a file, or of standard input for ``-``.

    Args:
        name: Path of the file, or ``-``.
        most: The largest size accepted, in bytes.

    Raises:
        InputError: When it is missing, a folder, unreadable or larger than ``most``; names the file.
    """
    try:
        if name == STANDARD:
            data = sys.stdin.buffer.read(most + 1)
        else:
            _refuse_what_is_no_file(name)
            with Path(name).open("rb") as stream:
                data = stream.read(most + 1)
    except OSError as error:
        raise _unreadable(name, error) from None
    if len(data) > most:
        raise InputError(
            Fault("", f"is larger than {_size(most)}", "is this the right file? Name the one you meant"),
            file=name,
        )
    return data


def read_text(name: str, *, most: int) -> str:
    """Return a file as text; UTF-8, a byte order mark is dropped.

    Raises:
        InputError: As ``read_bytes``, and when it is not UTF-8.
    """
    data = read_bytes(name, most=most)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(Fault("", "is not UTF-8 text", "save it as UTF-8", line), file=name) from None


def open_lines(name: str) -> BinaryIO:
    """Open a file of lines for streaming; the caller closes it.

    Raises:
        InputError: When it cannot be opened.
    """
    try:
        if name == STANDARD:
            return sys.stdin.buffer
        _refuse_what_is_no_file(name)
        return Path(name).open("rb")
    except OSError as error:
        raise _unreadable(name, error) from None


def inside(names: list[str], endings: tuple[str, ...]) -> Iterator[str]:
    """Yield file names: files as given, folders as the files below them with one of the endings, in order.

    Raises:
        InputError: When a folder holds no such file.
    """
    for name in names:
        if name == STANDARD or not Path(name).is_dir():
            yield name
            continue
        found = sorted(str(p) for p in Path(name).rglob("*") if p.is_file() and p.suffix in endings)
        if not found:
            raise InputError(
                Fault("", "is a folder without any " + " or ".join(endings), "name a file or another folder"),
                file=name,
            )
        yield from found


def write_whole(name: str, data: bytes) -> None:
    """Write a file whole or not at all: to a temporary neighbour, then renamed over the old one.

    ``-`` writes to standard output.

    Raises:
        OutputError: When it cannot be written; what stood there before still stands.
    """
    if name == STANDARD:
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
        return
    import tempfile  # with shutil and its compressors, a tenth of the start of a command that only reads

    target = Path(name)
    if target.is_dir():
        raise OutputError(name, "is a folder", "name a file to write")
    temporary = ""
    try:
        if target.exists() and not target.is_file():
            target.write_bytes(data)  # a device or a pipe: nothing to replace
            return
        mode = stat.S_IMODE(target.stat().st_mode) if target.exists() else 0o666 & ~_umask()
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent or ".")
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        Path(temporary).chmod(mode)
        Path(temporary).replace(_through_link(target))
    except OSError as error:
        if temporary:
            with suppress(OSError):
                Path(temporary).unlink()
        raise OutputError(name, _reason(error), "name a place that can be written to") from None


@contextmanager
def locked(name: str, *, seconds: float = 30) -> Iterator[None]:
    """Hold a file to yourself while it is read, changed and written: other writers wait for their turn.

    The lock is a neighbour, ``.name.lock``, held by the operating system: it goes with the process that holds
    it, however that ends, and an empty neighbour left behind locks nothing. Standard input needs none.

    Args:
        name: Path of the file.
        seconds: How long to wait for a turn.

    Raises:
        OutputError: When another process still holds it then, or no neighbour can be made.
    """
    if name == STANDARD:
        yield
        return
    from filelock import FileLock, Timeout

    target = _through_link(Path(name))
    lock = FileLock(str(target.with_name(f".{target.name}.lock")), timeout=seconds)
    try:
        lock.acquire()
    except Timeout:
        raise OutputError(name, "is being changed by somebody else", "try again in a moment") from None
    except OSError as error:
        raise OutputError(name, _reason(error), "name a place that can be written to") from None
    try:
        yield
    finally:
        lock.release()


def make_folder(name: str) -> None:
    """Make a folder and those above it.

    Raises:
        OutputError: When it cannot be made.
    """
    try:
        Path(name).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(name, _reason(error), "name another folder") from None


def _through_link(target: Path) -> Path:
    # Renaming over a symbolic link would replace the link, not the file it names.
    return target.resolve() if target.is_symlink() else target


def _refuse_what_is_no_file(name: str) -> None:
    path = Path(name)
    if path.is_dir():
        raise InputError(Fault("", "is a folder", "name a file in it"), file=name)
    if path.exists() and not (path.is_file() or path.is_fifo() or path.is_char_device()):
        raise InputError(Fault("", "is not a file", "name a file"), file=name)


def _unreadable(name: str, error: OSError) -> InputError:
    return InputError(Fault("", _reason(error), "check the name and who may read it"), file=name)


def _reason(error: OSError) -> str:
    if isinstance(error, FileNotFoundError):
        return "does not exist"
    if isinstance(error, PermissionError):
        return "is not allowed"
    return (error.strerror or "cannot be used").lower()


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _size(count: int) -> str:
    return f"{count // 1_000_000} MB" if count >= 1_000_000 else f"{count // 1000} kB"
