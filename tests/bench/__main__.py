"""Runs every bench beside this file: each is a module ``bench_...`` with ``main()``."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

wanted = sys.argv[1:] or sorted(path.stem for path in Path(__file__).parent.glob("bench_*.py"))
for name in wanted:
    importlib.import_module(f"tests.bench.{name}").main()
