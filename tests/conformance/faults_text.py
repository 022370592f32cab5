"""Faults of the file itself: JSON that is none, and bytes that are no text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .mutants import Mutant, Seed, dump, maker, mutant

if TYPE_CHECKING:
    from collections.abc import Iterator
    from random import Random


@maker("broken JSON")
def broken(seed: Seed, rng: Random) -> Iterator[Mutant]:
    text = dump(seed[1])
    cut = rng.randrange(1, len(text) - 1)
    first = text.index(b'"', text.index(b":"))
    faults = {
        "truncated": text[:cut],
        "trailing comma": text[: text.rindex(b"}")] + b",}",
        "comment": text.replace(b"{", b"{ // a note\n", 1),
        "block comment": text.replace(b"{", b"{ /* a note */", 1),
        "name without quotes": text.replace(b'"resourceType"', b"resourceType", 1),
        "single quotes": text.replace(b'"resourceType"', b"'resourceType'", 1),
        "value without quotes": text.replace(
            b'"' + seed[1]["resourceType"].encode() + b'"', seed[1]["resourceType"].encode(), 1
        ),
        "bad escape": text[: first + 1] + b"\\x41" + text[first + 1 :],
        "bad unicode escape": text[: first + 1] + b"\\u00G0" + text[first + 1 :],
        "raw control character": text[: first + 1] + b"\x01" + text[first + 1 :],
        "two documents": text + text,
        "text after it": text + b"\nend",
        "nothing": b"",
        "white space": b" \n",
        "an array": b"[" + text + b"]",
        "a string": b'"Patient"',
        "null": b"null",
        "XML": b'<Patient xmlns="http://hl7.org/fhir"/>',
        "missing colon": text.replace(b'":', b'" ', 1),
        "missing comma": text.replace(b",\n", b"\n", 1),
        "equals sign": text.replace(b'":', b'"=', 1),
    }
    for what in rng.sample(sorted(faults), 4):
        if faults[what] != text:
            yield mutant("broken JSON", seed, what, faults[what], twin=b"\n\t " + text + b"\r\n")


@maker("not UTF-8")
def encoding(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """Latin-1, UTF-16, a cut sequence, half a surrogate pair; near miss: the same letters escaped."""
    text = dump(seed[1])
    first = text.index(b'"', text.index(b":"))
    place = text.rindex(b"}")
    added = b',"id":"x"' if "id" not in seed[1] else b""
    del added
    faults = {
        "Latin-1": text[:place] + b',"_\xe9":1}',
        "UTF-16": text.decode().encode("utf-16"),
        "cut sequence": text[: first + 1] + b"\xe2\x82" + text[first + 1 :],
        "UTF-8 of a surrogate": text[: first + 1] + b"\xed\xa0\x80" + text[first + 1 :],
    }
    what = rng.choice(sorted(faults))
    import json

    yield mutant("not UTF-8", seed, what, faults[what], twin=json.dumps(seed[1], ensure_ascii=True).encode())
