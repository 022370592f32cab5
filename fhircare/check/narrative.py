"""Narrative: the XHTML a person reads beside the data, held to FHIR's rules for it.

Rules: https://hl7.org/fhir/R4/narrative.html (the same in R5) and the definitions of ``txt-1`` and ``txt-2``,
whose XPath lists elements and attributes. To the listed elements are added those that the rule's words allow,
"chapters 7-11 (except section 4 of chapter 9) and 15 of the HTML 4.0 standard ... images", and its XPath
forgot. Images may stand outside the resource, in ``img`` and in styles (the same page): only what is active
is refused.

The text is read by expat, which is fast and resolves nothing: a document type, and with it every entity
trick, is refused where it begins. Nothing of the text is ever put into a message: only names that HTML itself
defines.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple
from xml.parsers import expat

if TYPE_CHECKING:
    from collections.abc import Iterator

XHTML = "http://www.w3.org/1999/xhtml"
_XML = "http://www.w3.org/XML/1998/namespace"

# The XPath of txt-1 (HL7's definition of Narrative), then what HTML 4.0 chapters 7, 8, 9, 13 and 15 add.
_ELEMENTS = frozenset(
    """a abbr acronym b big blockquote br caption cite code col colgroup dd dfn div dl dt em h1 h2 h3 h4 h5 h6
    hr i img li ol p pre q samp small span strong sub sup table tbody td tfoot th thead tr tt ul var
    address area bdo kbd map""".split()  # noqa: SIM905 - a hundred quotes would hide the names
)
_ATTRIBUTES = frozenset(
    """abbr accesskey align alt axis bgcolor border cellhalign cellpadding cellspacing cellvalign char charoff
    charset cite class colspan compact coords dir frame headers height href hreflang hspace id lang longdesc
    name nowrap rel rev rowspan rules scope shape span src start style summary tabindex title type valign
    value vspace
    width usemap""".split()  # noqa: SIM905
)
# HTML's other names: they may be told, because no patient's word can be among them by accident.
_TOLD = frozenset(
    """applet article aside audio base basefont body button canvas center del details embed fieldset figure
    font footer form frame frameset head header html iframe input ins label link main mark menu meta nav
    noframes noscript object option param picture s script section select source strike style svg template
    textarea title u
    video action background color face formaction target srcset language contenteditable data""".split()  # noqa: SIM905
)
_EVENT = re.compile(r"on[a-z]{3,20}\Z")
_ENTITY = re.compile(r"&([A-Za-z][A-Za-z0-9]*);")
_XML_ENTITIES = frozenset({"amp", "lt", "gt", "quot", "apos"})
# Characters that browsers leave out of a scheme (WHATWG URL standard: tab, newline and leading control or
# space).
_IGNORED = re.compile(r"[\x00-\x20]")
_ACTIVE_SCHEME = re.compile(r"(?:javascript|vbscript|data:(?!image/))", re.IGNORECASE)
# What makes a style active or brings in a sheet, written in small letters without white space.
_ACTIVE_STYLE = ("expression(", "javascript:", "vbscript:", "behavior:", "-moz-binding:", "@import")
_LINKS = frozenset({"href", "src", "cite", "longdesc", "usemap"})

_PLAIN_MEND = "use only basic formatting elements, such as div, p, table, ul, b, span, a and img"


class NarrativeFault(NamedTuple):
    """One thing wrong with a narrative: the key of the rule, what is wrong, and how to mend it."""

    rule: str
    message: str
    mend: str


_ID = re.compile(r"""\sid\s*=\s*["']([^"']*)""")
_WORD = re.compile(r">\s*[^\s<]")


_OPENING = f'<div xmlns="{XHTML}"'
# What is not text: from each < to the next >, from each & to the next semicolon. What these cut wrongly, such
# as a tag with > in a value, is no harmless mark.
_MARK = re.compile(r"<[^>]*>?|&[^;]*;?")
_TAG = re.compile(r"""</?([a-z0-9]+)((?:\s+[a-z:]+="[^"<&]*")*)\s*/?>""")
_PAIR = re.compile(r'''([a-z:]+)="([^"]*)"''')
_NUMBERED = re.compile(r"&#(?:[0-9]+|x[0-9A-Fa-f]+);")
_SCHEMES = ("http:", "https:", "urn:", "mailto:", "tel:", "#")


@lru_cache(maxsize=4096)
def _harmless_mark(mark: str) -> bool:
    """Tell whether a tag or an entity needs no closer look: allowed names, no value that could be active.

    Narratives are made of few different ones, so each is looked at once.
    """
    if mark.startswith("&"):
        return mark[1:-1] in _XML_ENTITIES or _NUMBERED.fullmatch(mark) is not None
    tag = _TAG.fullmatch(mark)
    return (
        tag is not None
        and tag[1] in _ELEMENTS
        and all(_harmless_attribute(name, value) for name, value in _PAIR.findall(tag[2]))
    )


def _harmless_attribute(name: str, value: str) -> bool:
    if name in _LINKS:
        return ":" not in value or value.startswith(_SCHEMES)
    if name == "style":
        return not any(sign in value for sign in "@\\*")
    return name in _ATTRIBUTES or name == "xml:lang"


class _Refused(Exception):  # noqa: N818 - never leaves this module
    """The text holds what is not even read."""


class _Reader:
    """Hears one narrative's parts from the parser and gathers what is wrong with them, each kind once."""

    def __init__(self) -> None:
        self.faults: dict[NarrativeFault, None] = {}
        self.depth = 0
        self.content = False
        self.ids: set[str] = set()

    def say(self, rule: str, message: str, mend: str) -> None:
        self.faults[NarrativeFault(rule, message, mend)] = None

    def start(self, qualified: str, attributes: list[str]) -> None:
        space, _, name = qualified.rpartition(" ")
        self.depth += 1
        if self.depth == 1:
            self._root(space, name)
        elif space != XHTML:
            self._foreign(space, name)
        elif name not in _ELEMENTS:
            self.say("txt-1", f"{_told('element', name)} is not allowed in a narrative", _PLAIN_MEND)
        for at in range(0, len(attributes), 2):
            self._attribute(name, attributes[at], attributes[at + 1])

    def end(self, _: str) -> None:
        self.depth -= 1

    def text(self, text: str) -> None:
        # XPath's normalize-space, which txt-2 uses, knows these four characters as white space and no other.
        if not self.content and text.strip(" \t\r\n"):
            self.content = True

    def instruction(self, *_: str) -> None:
        self.say("txt-1", "a processing instruction is not allowed in a narrative", "remove it")

    def doctype(self, *_: object) -> None:
        raise _Refused

    def _root(self, space: str, name: str) -> None:
        if name != "div":
            self.say(
                "narrative.root", "the outermost element must be div", "wrap the whole narrative in one div"
            )
        if space != XHTML:
            mend = f'write <div xmlns="{XHTML}">'
            self.say("narrative.namespace", "the div must be in the XHTML namespace", mend)

    def _foreign(self, space: str, name: str) -> None:
        if space or name not in _ELEMENTS:
            what = "an element of another namespace" if space else _told("element", name)
            self.say("txt-1", f"{what} is not allowed in a narrative", _PLAIN_MEND)

    def _attribute(self, element: str, qualified: str, value: str) -> None:
        space, _, name = qualified.rpartition(" ")
        if space == _XML:
            return
        if space or name not in _ATTRIBUTES:
            what = "an attribute of another namespace" if space else _told("attribute", name)
            self.say(
                "txt-1", f"{what} is not allowed in a narrative", "remove it; a narrative is never active"
            )
        elif name == "style":
            self._style(value)
        elif name == "id":
            if value in self.ids:
                self.say(
                    "narrative.id",
                    "an id is used twice in the narrative",
                    "give each element an id of its own",
                )
            self.ids.add(value)
        elif name in _LINKS:
            if _ACTIVE_SCHEME.match(_IGNORED.sub("", value)):
                self.say(
                    "txt-1", f"{name} runs a script or hides a document", "link to a page, a resource or #id"
                )
            if element == "img" and name == "src" and value:
                self.content = True

    def _style(self, value: str) -> None:
        if _is_active(re.sub(r"/\*.*?\*/|\\", "", value, flags=re.DOTALL)):
            self.say("txt-1", "a style runs a script or imports a sheet", "use plain style properties only")


def _is_active(style: str) -> bool:
    packed = _IGNORED.sub("", style).lower()
    return any(word in packed for word in _ACTIVE_STYLE)


def _told(kind: str, name: str) -> str:
    if (
        name in _TOLD
        or name in _ELEMENTS
        or name in _ATTRIBUTES
        or (kind == "attribute" and _EVENT.match(name))
    ):
        return f"the {kind} {name}"
    return "an element that is no HTML" if kind == "element" else "an attribute that is no HTML"


def _without_entities(div: str) -> tuple[str, bool]:
    """Return the text with HTML's named entities taken out, and whether there were any."""
    from html.entities import html5

    found = False

    def one(match: re.Match[str]) -> str:
        nonlocal found
        if match[1] in _XML_ENTITIES or f"{match[1]};" not in html5:
            return match[0]
        found = True
        return "\u00a0" if match[1] == "nbsp" else "x"

    return _ENTITY.sub(one, div), found


def _harmless(div: str) -> bool:
    """Tell whether a narrative is seen to be fine at a glance; False decides nothing."""
    if not div.startswith(_OPENING) or not _WORD.search(div):
        return False
    marks = set(_MARK.findall(f"<div{div[len(_OPENING) :]}"))
    if not all(map(_harmless_mark, marks)):
        return False
    if " id=" in div or "\nid=" in div or "\tid=" in div or "\rid=" in div:
        ids = _ID.findall(div)
        if len(ids) != len(set(ids)):
            return False
    if "style=" in div and _is_active(div):
        return False
    try:
        expat.ParserCreate().Parse(div, True)  # noqa: FBT003
    except (expat.ExpatError, UnicodeEncodeError):
        return False
    return True


def check_narrative(div: str) -> Iterator[NarrativeFault]:
    """Yield what is wrong with the text of a ``Narrative.div``, each kind of fault once.

    Args:
        div: The XHTML as it stands in the JSON string.

    Yields:
        Faults of the rules ``txt-1`` (what it may hold), ``txt-2`` (that it says something),
        ``narrative.xml`` (well-formed, no document type), ``narrative.entity``, ``narrative.root``,
        ``narrative.namespace`` and ``narrative.id``.
    """
    if _harmless(div):
        return
    named = False
    if "&" in div:
        div, named = _without_entities(div)
    if named:
        yield NarrativeFault(
            "narrative.entity",
            "an entity of HTML is used; XML knows only &amp; &lt; &gt; &quot; &apos; and numbers",
            "write the character itself, or its number, such as &#160; for &nbsp;",
        )
    reader = _Reader()
    fatal = _read(div, reader)
    yield from reader.faults
    if fatal is not None:
        yield fatal
    elif not reader.content:
        yield NarrativeFault(
            "txt-2", "the narrative says nothing", "give it text or an image, or leave it out"
        )


def _read(div: str, reader: _Reader) -> NarrativeFault | None:
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.ordered_attributes = True
    parser.buffer_text = True
    parser.StartElementHandler = reader.start
    parser.EndElementHandler = reader.end
    parser.CharacterDataHandler = reader.text
    parser.ProcessingInstructionHandler = reader.instruction
    parser.StartDoctypeDeclHandler = reader.doctype
    try:
        parser.Parse(div, True)  # noqa: FBT003 - "this is all"
    except _Refused:
        return NarrativeFault(
            "narrative.xml", "a document type is not allowed in a narrative", "remove <!DOCTYPE ...>"
        )
    except UnicodeEncodeError:
        return _broken("half of a surrogate pair")
    except expat.ExpatError as fault:
        # The parser's own words name no text; its place is inside the string.
        place = f"at character {fault.offset + 1} of line {fault.lineno} of the text"
        return _broken(f"{expat.ErrorString(fault.code)} {place}")
    return None


def _broken(why: str) -> NarrativeFault:
    return NarrativeFault(
        "narrative.xml",
        f"the narrative is not well-formed XML ({why})",
        "close every element, quote every attribute, write & as &amp;",
    )
