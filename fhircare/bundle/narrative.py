"""The human-readable ``text`` of a resource: strict XHTML, everything from the plan escaped.

Only ``div``, ``p``, ``b``, ``table``, ``tr``, ``th``, ``td``, ``ul`` and ``li`` are used: what every receiver
shows. Named entities are not: XML knows five.
"""

from __future__ import annotations

from functools import lru_cache
from html import escape
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

LANGUAGE = "en"
Row = tuple[str, str]


def narrative(*blocks: str) -> dict[str, Any]:
    """Return a generated Narrative of the blocks.

    FHIR's ``generated``: all of it comes from the resource and the resources it points to.
    """
    body = "".join(blocks)
    head = f'<div xmlns="http://www.w3.org/1999/xhtml" lang="{LANGUAGE}" xml:lang="{LANGUAGE}">'
    return {"status": "generated", "div": f"{head}{body}</div>"}


def heading(text: str) -> str:
    """Return a line in bold."""
    return f"<p><b>{_text(text)}</b></p>"


def paragraph(text: str) -> str:
    """Return a paragraph."""
    return f"<p>{_text(text)}</p>" if text else ""


def facts(rows: Iterable[Row]) -> str:
    """Return a table of name and value; rows without a value are left out."""
    lines = "".join(
        f'<tr><th scope="row">{_text(name)}</th><td>{_text(value)}</td></tr>' for name, value in rows if value
    )
    return f"<table>{lines}</table>" if lines else ""


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table with a head row, "" when it has no rows."""
    lines = "".join("<tr>" + "".join(f"<td>{_text(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    top = "".join(f'<th scope="col">{_text(cell)}</th>' for cell in head)
    return f"<table><tr>{top}</tr>{lines}</table>" if lines else ""


def bullets(items: Iterable[str]) -> str:
    """Return a list, "" when it is empty."""
    lines = "".join(f"<li>{_text(item)}</li>" for item in items)
    return f"<ul>{lines}</ul>" if lines else ""


@lru_cache(maxsize=4096)
def _text(text: str) -> str:
    """Return a text escaped; most are names and sentences that stand in every plan."""
    return escape(text, quote=True)
