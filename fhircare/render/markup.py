"""From one of our HTML pages to the tree that is printed: only what stands on paper, nothing from outside.

A node is a string, or ``{"t": tag, "c": [classes], "k": [children]}`` with what else the printer asks for:
``href``, ``lang``, ``dir``, ``span`` (columns of a cell), ``row`` (a row's header), ``width`` (of a column,
in parts of a hundred), ``letters`` (how many, when they are many), ``flow`` (holds words, not blocks), and
for a drawing ``svg``, ``alt`` and ``wide`` (its width in its own units). White space is collapsed as CSS does
it (CSS Text Level 3, section 4.1).
"""

from __future__ import annotations

import html.parser
import re
from dataclasses import dataclass, field
from typing import Any

from fhircare.errors import TemplateError

Node = str | dict[str, Any]

_VOID = frozenset({"br", "col", "hr", "wbr", "meta", "link", "input", "base", "img", "source", "embed"})
_INLINE = frozenset(
    {"a", "abbr", "b", "bdi", "bdo", "br", "cite", "code", "data", "em", "i", "mark", "q", "s", "small"}
    | {"span", "strong", "sub", "sup", "time", "u", "var", "wbr"}
)
_NOT_PRINTED = frozenset({"style", "script", "nav", "footer", "template", "title", "noscript"})
_OUTSIDE = frozenset(
    {"img", "link", "iframe", "object", "embed", "video", "audio", "source", "base", "picture"}
)
_CLOSED_BY = {"li": {"li"}, "p": {"p"}, "tr": {"tr", "td", "th"}, "td": {"td", "th"}, "th": {"td", "th"}}
_SCREEN = frozenset({"screen", "skip", "only-heard"})
_LONG = 120
"""Letters above which a part of the page says how many it holds: it may be too long for one sheet."""
_UNBROKEN = 22
"""Letters above which a word may be broken anywhere."""
_LONG_WORD = re.compile(rf"[^\s\u200b]{{{_UNBROKEN + 1},}}")
_ZERO_WIDTH = "\u200b"
_ISOLATE, _LEFT_TO_RIGHT, _POP = "\u2068", "\u2066", "\u2069"  # Unicode Bidirectional Algorithm, UAX #9


@dataclass(frozen=True, slots=True)
class Sheet:
    """What is printed, and how.

    Attributes:
        lang: BCP 47 tag of the page.
        direction: ``ltr`` or ``rtl``.
        title: The file's title.
        classes: Of the page's root: ``large`` for large print.
        meta: The page's ``<meta name=… content=…>``: ``paper``, ``kind`` and ``foot`` are read.
        body: The nodes.
    """

    lang: str
    direction: str
    title: str
    classes: tuple[str, ...]
    meta: dict[str, str]
    body: list[Node]


def sheet_of(page: str) -> Sheet:
    """Read a whole HTML page.

    Raises:
        TemplateError: When the page asks for something from outside: a picture, a style sheet, a frame.
    """
    drawings: list[str] = []

    def kept(found: re.Match[str]) -> str:
        drawings.append(found[0])
        return f'<svg-kept n="{len(drawings) - 1}"></svg-kept>'

    light = re.sub(r"(?s)<svg\b.*?</svg>", kept, page)
    light = re.sub(r"</?(?:time|data)\b[^>]*>", "", light)
    reader = _Reader(drawings)
    reader.feed(light)
    reader.close()
    root = reader.root
    lang, direction = root.get("lang", "en"), root.get("dir", "ltr")
    body = _blocks(reader.top["k"])
    return Sheet(
        lang, direction, reader.title.strip(), tuple(root.get("class", "").split()), reader.meta, body
    )


@dataclass
class _Reader(html.parser.HTMLParser):
    """Builds the tree; forgives what browsers forgive in our own templates."""

    drawings: list[str]
    root: dict[str, str] = field(default_factory=dict)
    meta: dict[str, str] = field(default_factory=dict)
    title: str = ""

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.top: dict[str, Any] = {"t": "body", "c": [], "k": []}
        self.open: list[dict[str, Any]] = [self.top]
        self.mute: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag in _OUTSIDE:
            raise TemplateError(
                "the page asks for something from outside — keep pictures in it as drawings (svg)"
            )
        if self.mute:
            self.mute += [tag] if tag not in _VOID else []
            return
        if tag == "html":
            self.root = given
        elif tag == "meta":
            self.meta[given.get("name", "")] = given.get("content", "")
        if tag in {"html", "head", "body", "meta"}:
            return
        if tag in _NOT_PRINTED or _SCREEN & set(given.get("class", "").split()) or "hidden" in given:
            self.mute += [tag] if tag not in _VOID else []
            return
        while self.open[-1]["t"] in _CLOSED_BY.get(tag, ()):
            self.open.pop()
        node = _node(tag, given)
        if tag == "svg-kept":
            node = _drawing(self.drawings[int(given["n"])])
        self.open[-1]["k"].append(node)
        if tag not in _VOID and tag != "svg-kept":
            self.open.append(node)

    def handle_endtag(self, tag: str) -> None:
        if self.mute:
            if tag in self.mute:
                while self.mute.pop() != tag:
                    pass
            return
        if any(node["t"] == tag for node in self.open[1:]):
            while self.open.pop()["t"] != tag:
                pass

    def handle_data(self, data: str) -> None:
        if self.mute:
            self.title += data if self.mute == ["title"] else ""
        else:
            self.open[-1]["k"].append(data)


def _node(tag: str, given: dict[str, str]) -> dict[str, Any]:
    node: dict[str, Any] = {"t": tag, "c": given.get("class", "").split(), "k": []}
    for name in ("lang", "dir"):
        if given.get(name):
            node[name] = given[name]
    if tag == "a" and given.get("href", "").startswith(("tel:", "mailto:", "https:")):
        node["href"] = given["href"]
    if given.get("colspan", "").isdigit():
        node["span"] = int(given["colspan"])
    if given.get("scope") == "row":
        node["row"] = True
    width = re.search(r"width:\s*([\d.]+)%", given.get("style", ""))
    if width:
        node["width"] = float(width[1])
    return node


def _drawing(svg: str) -> dict[str, Any]:
    title = re.search(r"(?s)<title\b[^>]*>(.*?)</title>", svg)
    kind = re.search(r'<svg\b[^>]*?\bclass="([^"]*)"', svg)
    svg = re.sub(r"(?s)<(title|desc)\b.*?</\1>| data-source=\"[^\"]*\"", "", svg)
    if "xmlns=" not in svg:
        svg = svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    alt = html.unescape(title[1]) if title else ""
    box = re.search(r'viewBox="\S+ \S+ ([\d.]+)', svg)
    wide = float(box[1]) if box else 0.0
    classes = (kind[1] if kind else "").split()
    return {"t": "svg", "c": classes, "k": [], "svg": svg, "alt": alt, "wide": wide}


def _blocks(nodes: list[Node]) -> list[Node]:
    """Children of a block: all words, or all blocks; then words between them get a paragraph."""
    if all(_is_words(node) for node in nodes):
        return _words(nodes)
    made: list[Node] = []
    run: list[Node] = []
    for node in [*nodes, None]:
        if node is not None and _is_words(node):
            run.append(node)
            continue
        words = _words(run)
        run = []
        if words:
            made.append({"t": "p", "c": ["bare"], "k": words, "flow": True})
        if isinstance(node, dict):
            made.append(_finished(node))
    return made


def _finished(node: dict[str, Any]) -> dict[str, Any]:
    if node["t"] == "svg":
        return node
    flow = all(_is_words(kid) for kid in node["k"])
    node["k"] = _blocks(node["k"])
    node["flow"] = flow
    letters = _letters(node)
    if letters > _LONG:
        node["letters"] = letters
    return node


def _is_words(node: Node) -> bool:
    return isinstance(node, str) or node["t"] in _INLINE


def _letters(node: Node) -> int:
    return len(node) if isinstance(node, str) else sum(map(_letters, node["k"]))


def _words(nodes: list[Node]) -> list[Node]:
    """Collapse white space over a whole run of words: none at its ends, none beside a line break."""
    flat: list[list[Any]] = []  # every text of the run, in order, as a box that can be written to

    def walk(node: Node) -> Node:
        if isinstance(node, str):
            flat.append([re.sub(r"[ \t\r\n\f]+", " ", node)])
            return flat[-1]  # type: ignore[return-value]
        if node["t"] == "br":
            flat.append(["\n"])
            return node
        if "box" in node["c"] or "alert" in node["c"]:
            flat.append(["\0"])
            return node
        node["k"] = [walk(kid) for kid in node["k"]]
        return node

    walked = [walk(node) for node in nodes]
    before = "\n"
    for box in flat:
        if box[0] in {"\n", "\0"}:
            before = box[0]
            continue
        if before in {"\n", " "}:
            box[0] = box[0].removeprefix(" ")
        before = box[0][-1:] or before
    after = "\n"
    for box in reversed(flat):
        if box[0] in {"\n", "\0"}:
            after = box[0]
            continue
        if after == "\n":
            box[0] = box[0].rstrip(" ")
        after = box[0][:1] or after
    return _kids(walked, frozenset({"bdi"}))  # a line's own spans lie side by side


def _kids(nodes: list[Any], undone: frozenset[str]) -> list[Node]:
    """Told, elements that say nothing to paper undone, neighbouring texts as one."""
    made: list[Node] = []
    for node in map(_told, nodes):
        plain = isinstance(node, dict) and node["t"] in undone and not node["c"]
        for kid in node["k"] if isinstance(node, dict) and plain and "lang" not in node else [node]:
            if isinstance(kid, str) and made and isinstance(made[-1], str):
                made[-1] += kid
            elif kid != "":
                made.append(kid)
    return made


def _told(node: Any) -> Node:
    if isinstance(node, list):
        return _breakable(node[0])
    node["k"] = _kids(node["k"], frozenset({"bdi", "span"}))
    if node["t"] == "bdi" and node["k"]:
        text = "".join(kid for kid in node["k"] if isinstance(kid, str))
        if node.get("dir") == "ltr" or not text.isascii() or re.search(r"\W\Z|\A\W", text):
            node["k"] = [_LEFT_TO_RIGHT if node.get("dir") == "ltr" else _ISOLATE, *node["k"], _POP]
    return node  # type: ignore[no-any-return]


def _breakable(text: str) -> str:
    """Let a very long word break anywhere, so that it stays on the paper."""
    if len(text) <= _UNBROKEN:
        return text
    return _LONG_WORD.sub(lambda word: _ZERO_WIDTH.join(word[0]), text)
