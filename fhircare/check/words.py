"""The words of findings: names that look like another, lists, and sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable


MANY = 200
"""Of more names than this, only those with the same first letter are compared, which takes long enough."""


def nearest(name: str, known: Iterable[str], most: int = 3) -> list[str]:
    """Return up to ``most`` of the known names that look like ``name``, the most alike first."""
    import difflib

    lowered = {k.lower(): k for k in sorted(known)}
    if len(lowered) > MANY:
        lowered = {low: k for low, k in lowered.items() if low[:1] == name[:1].lower()}
    found = difflib.get_close_matches(name.lower(), lowered, n=most, cutoff=0.6)
    return [lowered[f] for f in found]


def listed(names: Iterable[str], most: int = 8) -> str:
    """Return names as a list for a sentence, cut after ``most``."""
    everything = list(names)
    shown = ", ".join(everything[:most])
    rest = len(everything) - most
    return f"{shown} and {rest} more" if rest > 0 else shown


def sentence(text: str) -> str:
    """Return a text with a capital at its beginning and a full stop at its end."""
    if not text:
        return ""
    end = "" if text[-1] in ".?!" else "."
    return f"{text[0].upper()}{text[1:]}{end}"
