"""Narrative: R4 narrative.html and the rules txt-1 and txt-2."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fhircare.check import narrative
from fhircare.check.narrative import XHTML, check_narrative
from tests.rule_pairs import EXAMPLES


def div(inside: str, attributes: str = "") -> str:
    return f'<div xmlns="{XHTML}"{attributes}>{inside}</div>'


def rules(text: str) -> list[str]:
    return [fault.rule for fault in check_narrative(text)]


@pytest.mark.parametrize(
    "text",
    [
        div("plain words"),
        div("<p>one<br/>two</p><hr/><ul><li>a</li></ul>"),
        div("<h1>a</h1><h6>b</h6><blockquote>c</blockquote><pre>d</pre>"),
        div(
            '<table border="1" summary="s"><caption>c</caption><colgroup><col width="10"/></colgroup>'
            '<thead><tr><th colspan="2">h</th></tr></thead><tbody><tr><td>x</td></tr></tbody></table>'
        ),
        div('<a href="#here">x</a><span id="here" class="c" style="color: red">y</span>'),
        div('<a href="Patient/1">x</a><a href="https://example.org/?a=1&amp;b=2">y</a><a name="n">z</a>'),
        div('<a href="mailto:clinic@example.org">write</a> <a href="tel:+15550100">call</a>'),
        div('<img src="#image" alt="the foot"/>'),
        div('<img src="data:image/png;base64,iVBORw0KGgo="/>'),
        div('<img src="https://example.org/foot.png"/>'),
        div("&amp; &lt; &gt; &quot; &apos; &#160; &#xA0;"),
        div("3 &lt; 4<!-- a comment -->"),
        div("<![CDATA[a < b & c]]>"),
        div(
            "<tt>t</tt><i>i</i><b>b</b><big>g</big><small>s</small><sub>1</sub><sup>2</sup><q>q</q><kbd>k</kbd>"
        ),
        div("text", ' xml:lang="en" lang="en" dir="ltr"'),
        div('<span style="background: url(data:image/png;base64,iVBORw0KGgo=); width: 10px">x</span>'),
        f'<h:div xmlns:h="{XHTML}"><h:p>prefixed</h:p></h:div>',
        f"\n  {div('white space around')}\n",
        f"<div xmlns='{XHTML}' class='single'>quotes</div>",
        div('javascript: is a word here, and onclick="no" too, expression(1)'),
    ],
)
def test_a_narrative_as_the_standard_allows_it(text: str) -> None:
    """No finding."""
    assert rules(text) == []


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        (div("<script>x</script>"), "txt-1"),
        (div('<p onclick="x()">a</p>'), "txt-1"),
        (div("<form>a</form>"), "txt-1"),
        (div("a<input/>"), "txt-1"),
        (div("a<iframe/>"), "txt-1"),
        (div("a<object/>"), "txt-1"),
        (div('a<link rel="stylesheet" href="x.css"/>'), "txt-1"),
        (div("<style>p {}</style>"), "txt-1"),
        (div("<base/>a"), "txt-1"),
        (div("<head>t</head>"), "txt-1"),
        (div("<body>a</body>"), "txt-1"),
        (div("<font>a</font>"), "txt-1"),  # deprecated in HTML 4.0
        (div("<center>a</center>"), "txt-1"),
        (div("a<ins>b</ins>"), "txt-1"),  # chapter 9, section 4
        (div('<svg xmlns="http://www.w3.org/2000/svg"/>a'), "txt-1"),
        (div('<a href="javascript:x()">a</a>'), "txt-1"),
        (div('<a href=" JavaScript:x()">a</a>'), "txt-1"),
        (div('<a href="java&#10;script:x()">a</a>'), "txt-1"),
        (div('<a href="java&#x73;cript:x()">a</a>'), "txt-1"),
        (div('<a href="data:text/html,x">a</a>'), "txt-1"),
        (div('<img src="vbscript:x"/>'), "txt-1"),
        (div('<p style="width: expression(x)">a</p>'), "txt-1"),
        (div('<p style="width: exp/**/ression(x)">a</p>'), "txt-1"),
        (div(r'<p style="width: e\xpression(x)">a</p>'), "txt-1"),
        (div('<p style="background: url(javascript:x)">a</p>'), "txt-1"),
        (div("<p style=\"@import 'x.css'\">a</p>"), "txt-1"),
        (div('<a xlink:href="x" xmlns:xlink="http://www.w3.org/1999/xlink">a</a>'), "txt-1"),
        (div('<?xml-stylesheet href="x.css"?>a'), "txt-1"),
        (div('<a href="x" title="y" onmouseover=">z">a</a>'), "txt-1"),
        (div(""), "txt-2"),
        (div(" \n\t "), "txt-2"),
        (div("<p><b/></p>"), "txt-2"),
        (div('<img alt="no source"/>'), "txt-2"),
        (div("&nbsp;a"), "narrative.entity"),
        (div("a &copy; b"), "narrative.entity"),
        (div("a & b"), "narrative.xml"),
        (div("a < b"), "narrative.xml"),
        (div("<p>a"), "narrative.xml"),
        (div("<b><i>a</b></i>"), "narrative.xml"),
        (div("<p class=x>a</p>"), "narrative.xml"),
        (div("&unknown;"), "narrative.xml"),
        (div("a") + div("b"), "narrative.xml"),
        ("", "narrative.xml"),
        ("no markup", "narrative.xml"),
        (div("\x00"), "narrative.xml"),
        ("\ud800", "narrative.xml"),
        (f'<!DOCTYPE div [<!ENTITY a "b">]>{div("&a;")}', "narrative.xml"),
        ("<div>a</div>", "narrative.namespace"),
        ('<div xmlns="http://www.w3.org/1999/html">a</div>', "narrative.namespace"),
        (f'<p xmlns="{XHTML}">a</p>', "narrative.root"),
        (div('<p id="a">x</p><p id="a">y</p>'), "narrative.id"),
    ],
)
def test_a_narrative_with_one_fault(text: str, rule: str) -> None:
    """One finding, of the rule that is broken."""
    assert rules(text) == [rule]


def test_every_fault_is_told_in_one_run() -> None:
    """Named entities do not hide what comes after them."""
    assert rules(div('&nbsp;<script>x</script><p onclick="y">z</p>')) == [
        "narrative.entity",
        "txt-1",
        "txt-1",
    ]


def test_an_entity_bomb_is_refused_before_it_goes_off() -> None:
    """A document type is refused where it begins."""
    levels = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))
    bomb = f'<!DOCTYPE div [<!ENTITY l0 "ha">{levels}]>{div("&l9;")}'
    assert rules(bomb) == ["narrative.xml"]


def test_a_message_never_repeats_the_text() -> None:
    """Names that HTML does not know may be a patient's."""
    text = div('<Muster ada="x"/>Ada <p muster="1">Muster</p>')
    told = " ".join(f"{fault.message} {fault.mend}" for fault in check_narrative(text))
    assert told
    assert "muster" not in told.lower()
    assert "ada" not in told.lower()


def _divs(value: Any) -> list[str]:
    if isinstance(value, dict):
        own = [value["div"]] if isinstance(value.get("div"), str) else []
        return own + [found for below in value.values() for found in _divs(below)]
    return [found for below in value for found in _divs(below)] if isinstance(value, list) else []


def test_the_examples_of_the_standard_are_fine() -> None:
    """Every narrative of HL7's examples."""
    texts = [text for file in EXAMPLES.glob("*/*.json") for text in _divs(json.loads(file.read_bytes()))]
    assert len(texts) > 80
    assert [text for text in texts if rules(text)] == []


PIECES = [
    *(
        "<p>",
        "</p>",
        "<b/>",
        "<script>",
        "</script>",
        "<a href=",
        "<img src=",
        '"',
        "'",
        ">",
        "<",
        "&lt;",
        "&",
        "x",
    ),
    *(
        "javascript:x",
        "#a",
        "http://e.org",
        ' id="a"',
        " onclick=",
        ' style="',
        "expression(1)",
        " ",
        "/",
        "\n",
    ),
    *(
        ' class="c"',
        "=",
        "<!--",
        "-->",
        "<![CDATA[",
        "]]>",
        "<?x ?>",
        'xmlns="u"',
        ":",
        "(",
        "\\",
        "/*",
        "*/",
    ),
    *("&nbsp;", "&#106;"),
]


@settings(max_examples=300, deadline=None)
@given(st.lists(st.sampled_from(PIECES), max_size=14).map("".join))
def test_the_quick_look_never_lets_through_what_the_close_look_finds(inside: str) -> None:
    """The form that needs no closer look is only a shortcut."""
    text = div(inside)
    if narrative._harmless(text):
        reader = narrative._Reader()
        assert narrative._read(text, reader) is None
        assert not reader.faults
        assert reader.content


@given(st.text(max_size=60))
def test_any_text_at_all_is_judged_without_an_exception(text: str) -> None:
    """And escaped text is always a fine narrative when it says anything."""
    list(check_narrative(text))
    list(check_narrative(div(text)))


def test_matching_is_linear_in_the_text() -> None:
    """A megabyte made to be costly is judged like any other; it would never end if the form backtracked."""
    for unit in ("<p ", '<a href="', "&#1", '<p a="b" ', "<b><i>", "<p id=", "<p style='javascript:"):
        assert rules(div(unit * (1_000_000 // len(unit)))) == ["narrative.xml"]
