"""How fast pages are made, as ratios to JSON parsing and to WeasyPrint on static text, in the same run.

HTML is timed from the reading of a bundle on, with the template environment built. ``json`` parses the
text of the same bundle with the standard library. The PDF is timed from the reading on, each time of a plan
with another number, since Typst remembers what it has laid out; and once in a new process, imports and the
search for fonts included. Beside it WeasyPrint alone, on a page of about as many printed pages with static
text and the same style sheet. Times are processor time of all threads: other work on the machine does not
count.
"""

from __future__ import annotations

import dataclasses
import io
import itertools
import json
import logging
import re
import subprocess
import sys
import time
from typing import TYPE_CHECKING, Any

from pypdf import PdfReader
from weasyprint import HTML

from fhircare.bundle import dump
from fhircare.render import READERS, render
from fhircare.render.measure import measure
from tests.conftest import EXAMPLES, reading_of

if TYPE_CHECKING:
    from collections.abc import Callable


def best(work: Callable[[], Any], rounds: int) -> float:
    """Least processor time of several runs, in seconds."""
    taken = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


@dataclasses.dataclass(frozen=True)
class Numbered:
    """A reading whose plan has another number."""

    plan: Any
    bundle: Any
    source: Any
    guest: None = None


COLD = """
from tests.conftest import EXAMPLES, reading_of
reading = reading_of(EXAMPLES[0])
import time
start = time.process_time()
from fhircare.render import render
render(reading, "pdf")
print(time.process_time() - start)
"""
"""The PDF of a process that has read the bundle, and has imported nothing that renders."""


def cold() -> float:
    """Processor time of the first PDF of a process, in seconds."""
    done = subprocess.run([sys.executable, "-c", COLD], capture_output=True, check=True, text=True)
    return float(done.stdout)


def static_page(page: str, sheets: int) -> str:
    """A page of static paragraphs with the style sheet of ``page``, of about as many printed pages."""
    style = re.search(r"(?s)<style>(.*?)</style>", page)
    words = "Look at your skin after each time you wear the leg. " * 4
    body = f"<p>{words}</p>" * (sheets * 15)
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Static</title>'
        f"<style>{style[1] if style else ''}</style></head><body><main>{body}</main></body></html>"
    )


def main() -> None:
    """Print the table."""

    def say(line: str) -> None:
        sys.stdout.write(line + "\n")

    logging.getLogger("weasyprint").setLevel(logging.CRITICAL)
    reading = reading_of(EXAMPLES[0])
    text = dump(reading.bundle)
    base = best(lambda: json.loads(text), 15)
    say(f"render: example {EXAMPLES[0]}, bundle {len(text) / 1000:.0f} kB, json.loads {base * 1000:.2f} ms")
    for reader in READERS:
        html = str(render(reading, "html", reader))
        cost = best(lambda reader=reader: render(reading, "html", reader), 7)
        say(f"  html {reader:10} {cost * 1000:7.1f} ms  {cost / base:6.1f} x json  {len(html) / 1000:.0f} kB")
    html = str(render(reading, "html"))
    judged = best(lambda: measure(html, "en"), 3)
    say(f"  measure patient {judged * 1000:7.1f} ms  {judged / base:6.1f} x json")
    pdf = render(reading, "pdf")
    sheets = len(PdfReader(io.BytesIO(pdf)).pages)
    number = itertools.count(1)

    def another() -> None:
        plan = dataclasses.replace(reading.plan, number=f"N-{next(number)}")
        render(Numbered(plan, reading.bundle, reading.source), "pdf")  # type: ignore[arg-type]

    ours, first = best(another, 5), cold()
    plain = static_page(html, sheets)
    made = HTML(string=plain).write_pdf(pdf_variant="pdf/ua-1")
    static = best(lambda: HTML(string=plain).write_pdf(pdf_variant="pdf/ua-1"), 2)
    say(
        f"  pdf patient {ours * 1000:7.0f} ms, {sheets} pages  {ours / base:6.0f} x json  "
        f"{ours / static:4.2f} x WeasyPrint on {len(PdfReader(io.BytesIO(made)).pages)} pages of static text "
        f"({static * 1000:.0f} ms); first of a process, with imports and fonts {first * 1000:.0f} ms"
    )
