"""A narrative from elsewhere as plain lines: what it says to people, without what it looks like."""

from __future__ import annotations

from html.parser import HTMLParser

_BLOCKS = {
    "p", "div", "h1", "h2", "h3", "h4", "h5", "h6", "ul", "ol", "dl", "dt", "dd", "li", "table", "thead",
    "tbody", "tfoot", "tr", "caption", "pre", "blockquote", "br", "hr",
}  # fmt: skip
_SILENT = {"style", "script", "head", "title"}


class _Reader(HTMLParser):
    """Gathers lines; markup that is broken still gives its words."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.lines: list[str] = []
        self._words: list[str] = []
        self._silent = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in _SILENT:
            self._silent += 1
        elif tag in _BLOCKS:
            self.end_line()
        elif tag in {"td", "th"} and self._words:
            self._words.append("; ")
        elif tag == "img":
            self._words.append(f" {dict(attrs).get('alt') or ''} ")

    def handle_endtag(self, tag: str) -> None:
        if tag in _SILENT:
            self._silent = max(0, self._silent - 1)
        elif tag in _BLOCKS:
            self.end_line()

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in _SILENT:  # <style/> opens nothing
            self.handle_starttag(tag, attrs)

    def handle_data(self, data: str) -> None:
        if not self._silent:
            self._words.append(data)

    def end_line(self) -> None:
        """Close the line: one space between words, no separators that separate nothing."""
        line = " ".join("".join(self._words).split()).replace(" ;", ";").strip("; ")
        if line:
            self.lines.append(line)
        self._words = []


def lines_of(div: str) -> tuple[str, ...]:
    """Return what the XHTML of a Narrative says, a line for each block; cells of a row are parted by ``;``.

    Args:
        div: ``Narrative.div``. Anything is taken; what is no markup is text.
    """
    reader = _Reader()
    reader.feed(div)
    reader.close()
    reader.end_line()
    return tuple(reader.lines)
