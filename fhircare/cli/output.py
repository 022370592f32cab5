"""What the command says: results to standard output, remarks to standard error (nobody else prints)."""

from __future__ import annotations

import sys


def say(text: str) -> None:
    """Print a result."""
    print(text.rstrip("\n"))


def note(text: str) -> None:
    """Print a remark for the person at the terminal; pipes stay clean."""
    print(text.rstrip("\n"), file=sys.stderr)
