"""The only module that opens the user's files: reads with a bound, writes that happen whole or not at all.

Data that ships inside the package comes through ``importlib.resources``, templates through Jinja2's loader.
"""

from __future__ import annotations

import os
import stat
import sys
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, BinaryIO, cast

from fhircare.errors import Fault, InputError, OutputError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

STANDARD = "-"
"""The name that stands for standard input, or standard output."""
PACKED = ".gz"
"""The ending of a file packed with gzip; it is read as what is in it."""


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
            with _opened(name) as stream, unpacking(name):
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
    """Open a file of lines for streaming; the caller closes it, and reads it within ``unpacking``.

    Raises:
        InputError: When it cannot be opened.
    """
    try:
        if name == STANDARD:
            return sys.stdin.buffer
        _refuse_what_is_no_file(name)
        return _opened(name)
    except OSError as error:
        raise _unreadable(name, error) from None


@contextmanager
def unpacking(name: str) -> Iterator[None]:
    """Say it in our words when a file turns out, while it is read, to be broken or not to be gzip.

    Raises:
        InputError: Names the file.
    """
    import zlib

    try:
        yield
    except (EOFError, zlib.error) as error:
        raise InputError(
            Fault("", "is not a whole gzip file", "fetch or pack it again"), file=name
        ) from error
    except OSError as error:
        if name.endswith(PACKED) and error.errno is None:  # gzip.BadGzipFile
            raise InputError(Fault("", "is not a gzip file", "pack it again"), file=name) from None
        raise _unreadable(name, error) from None


def inside(names: list[str], endings: tuple[str, ...]) -> Iterator[str]:
    """Yield file names: files as given, folders as the files below them with one of the endings, in order.

    Raises:
        InputError: When a folder holds no such file.
    """
    for name in names:
        if name == STANDARD or not os.path.isdir(name):
            yield name
            continue
        from pathlib import Path

        found = sorted(str(p) for p in Path(name).rglob("*") if p.is_file() and p.suffix in endings)
        if not found:
            raise InputError(
                Fault("", "is a folder without any " + " or ".join(endings), "name a file or another folder"),
                file=name,
            )
        yield from found


def below(folder: str, endings: tuple[str, ...], *, but: str = "") -> Iterator[tuple[str, int]]:
    """Yield the files below a folder with one of the endings, as name inside it and size in bytes, in order.

    A folder's files come before its folders, each by name. What begins with a dot is passed over.

    Args:
        folder: Where to look.
        endings: Such as ``.json`` or ``.json.gz``.
        but: A folder below it that is passed over.

    Raises:
        InputError: When a folder cannot be looked into.
    """

    def refuse(error: OSError) -> None:
        raise _unreadable(str(error.filename or folder), error)

    from pathlib import Path

    left_out = Path(but).resolve() if but else None
    for here, folders, names in os.walk(folder, onerror=refuse):
        folders[:] = sorted(
            name for name in folders if not name.startswith(".") and Path(here, name).resolve() != left_out
        )
        for name in sorted(names):
            path = Path(here, name)
            if name.endswith(endings) and not name.startswith(".") and path.is_file():
                yield path.relative_to(folder).as_posix(), path.stat().st_size


def size_of(name: str) -> int | None:
    """Return a file's size in bytes, None when there is no such file."""
    return os.path.getsize(name) if os.path.isfile(name) else None


def remove(name: str) -> None:
    """Take a file away; it need not be there.

    Raises:
        OutputError: When it may not be.
    """
    try:
        with suppress(FileNotFoundError):
            os.unlink(name)
    except OSError as error:
        raise OutputError(name, _reason(error), "name a place that can be written to") from None


def sweep(folder: str, *names: str) -> None:
    """Take away what ``write_whole`` left when its process was killed.

    Args:
        folder: Where to look: with names only in it, without also below it.
        names: The files whose left-overs are meant; without names those of any file.
    """
    from glob import escape
    from pathlib import Path

    looked = Path(folder).glob if names else Path(folder).rglob
    for name in names or ("*",):
        for left in looked(f".{escape(name) if names else name}.????????"):
            with suppress(OSError):
                left.unlink()


def write_whole(name: str, data: bytes) -> None:
    """Write a file whole or not at all: to a temporary neighbour, then renamed over the old one.

    ``-`` writes to standard output.

    Raises:
        OutputError: When it cannot be written; what stood there before still stands.
    """
    write_pieces(name, (data,))


def write_pieces(name: str, pieces: Iterable[bytes]) -> None:
    """Write a file piece by piece, and yet whole or not at all, as ``write_whole``.

    Raises:
        OutputError: When it cannot be written; what stood there before still stands.
    """
    if name == STANDARD:
        for data in pieces:
            sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
        return
    import tempfile  # with shutil and its compressors, a tenth of the start of a command that only reads
    from pathlib import Path

    target = Path(name)
    if target.is_dir():
        raise OutputError(name, "is a folder", "name a file to write")
    temporary = ""
    try:
        if target.exists() and not target.is_file():
            with target.open("wb") as stream:  # a device or a pipe: nothing to replace
                stream.writelines(pieces)
            return
        mode = stat.S_IMODE(target.stat().st_mode) if target.exists() else 0o666 & ~_umask()
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent or ".")
        with os.fdopen(handle, "wb") as stream:
            stream.writelines(pieces)
            stream.flush()
            os.fsync(stream.fileno())
        Path(temporary).chmod(mode)
        Path(temporary).replace(_through_link(target))
    except BaseException as error:
        if temporary:
            with suppress(OSError):
                Path(temporary).unlink()
        if not isinstance(error, OSError):
            raise
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
    from pathlib import Path

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
    from pathlib import Path

    try:
        Path(name).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(name, _reason(error), "name another folder") from None


def _opened(name: str) -> BinaryIO:
    if name.endswith(PACKED):
        import gzip

        return cast("BinaryIO", gzip.open(name, "rb"))
    return open(name, "rb")


def _through_link(target: Path) -> Path:
    # Renaming over a symbolic link would replace the link, not the file it names.
    return target.resolve() if target.is_symlink() else target


def _refuse_what_is_no_file(name: str) -> None:
    try:
        mode = os.stat(name).st_mode
    except (OSError, ValueError):
        return  # opening it says why
    if stat.S_ISDIR(mode):
        raise InputError(Fault("", "is a folder", "name a file in it"), file=name)
    if not (stat.S_ISREG(mode) or stat.S_ISFIFO(mode) or stat.S_ISCHR(mode)):
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
