"""Files that hold a secret: a private key, a token. Read only when nobody else may read them.

With the outbox this is the one place of the exchange that opens files: a secret must be looked at (owner,
permissions) through the very handle it is read from, and must not pass through anything that may log it.
"""

from __future__ import annotations

import os
import stat

from fhircare.errors import Fault, InputError

MOST_BYTES = 64_000
"""Keys and tokens are a few kilobytes."""


def read_secret(path: str) -> bytes:
    """Return what a secret file holds.

    Raises:
        InputError: When it cannot be read, is no plain file, is too large, or others than its owner may read
            or change it. Names the file, never what is in it.
    """
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_CLOEXEC", 0))
    except OSError as error:
        reason = "does not exist" if isinstance(error, FileNotFoundError) else "cannot be opened"
        raise InputError(Fault("", reason, "check the name in the destinations file"), file=path) from None
    try:
        _refuse_what_others_can_read(path, os.fstat(handle))
        data = os.read(handle, MOST_BYTES + 1)
    finally:
        os.close(handle)
    if len(data) > MOST_BYTES:
        raise InputError(Fault("", "is too large for a key or token", "name the right file"), file=path)
    return data


def _refuse_what_others_can_read(path: str, status: os.stat_result) -> None:
    if not stat.S_ISREG(status.st_mode):
        raise InputError(Fault("", "is not a file", "name the file with the secret"), file=path)
    if os.name == "posix" and status.st_mode & 0o077:
        raise InputError(Fault("", "can be read or changed by others", f"run: chmod 600 {path}"), file=path)
    if os.name == "posix" and status.st_uid not in (os.geteuid(), 0):
        raise InputError(Fault("", "belongs to somebody else", "use a file of your own"), file=path)
