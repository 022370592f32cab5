"""Golden files: pages that a person has read and found right, compared letter by letter.

``pytest --golden-update`` writes what the code makes now; read the difference before you commit it.
"""

from __future__ import annotations

from pathlib import Path

FOLDER = Path(__file__).parent / "golden"


class Golden:
    """Compares a page with its golden file, or writes it anew."""

    def __init__(self, *, update: bool) -> None:
        self.update = update

    def same(self, name: str, page: str) -> None:
        """Assert that a page is the golden one."""
        path = FOLDER / name
        if self.update:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(page, encoding="utf-8")
        assert path.is_file(), f"{name} has no golden file: run pytest --golden-update and read it"
        assert page.splitlines() == path.read_text(encoding="utf-8").splitlines()
