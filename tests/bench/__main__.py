"""Runs every bench beside this file: each is a module ``bench_...`` with ``main()``.

``python -m tests.bench bench_bulk growth`` runs one, or with further words only those parts of it.
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

wanted: dict[str, list[str]] = {}
for word in sys.argv[1:] or sorted(path.stem for path in Path(__file__).parent.glob("bench_*.py")):
    if word.startswith("bench_"):
        wanted[word] = []
    else:
        wanted[next(reversed(wanted))].append(word)
for name, parts in wanted.items():
    importlib.import_module(f"tests.bench.{name}").main(*parts)
