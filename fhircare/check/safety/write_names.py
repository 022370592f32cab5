"""Write ``names.py`` from the table of terms: ``python -m fhircare.check.safety.write_names``.

The check must start at once, and reading the table of terms takes longer than checking a plan; so what it
needs of it stands in a module of its own, which Python keeps compiled. A test holds the two together.
"""

from __future__ import annotations

import json
from pathlib import Path

from fhircare.spec import terms

_HEAD = '''"""Our codes and their names, written by ``write_names`` from the table of terms: not edited."""

# ruff: noqa: E501
# fmt: off
NAMES: dict[str, tuple[bool, dict[str, str]]] = {
'''


def names() -> str:
    """Return the module's text: by system, whether other codes are let pass, and the name of each code."""
    lines = []
    for entry in terms.systems().values():
        codes = entry.get("codes", {})
        if codes:
            said = json.dumps(codes, ensure_ascii=False)
            lines.append(f'    "{entry["uri"]}": ({bool(entry.get("open"))}, {said}),\n')
    return f"{_HEAD}{''.join(lines)}}}\n"


if __name__ == "__main__":
    Path(__file__).with_name("names.py").write_text(names(), encoding="utf-8")
