"""The socks a person owns, and which of them make which ply."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from fhircare.render.said import Sentence

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fhircare.plan import SockKit, SockLayers
    from fhircare.render.said import Said, Value
    from fhircare.render.view.page import Readable
    from fhircare.render.words import Words


@dataclass(frozen=True, slots=True, kw_only=True)
class SockRow:
    """How to make one total ply. ``call``: the clinic wants to be called; ``start``: worn at delivery."""

    total: Sentence
    layers: Said
    call: bool
    start: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SocksView:
    """The socks a person owns and what they make."""

    owned: tuple[Sentence, ...]
    start: Sentence
    guide: tuple[SockRow, ...]


def socks_view(reading: Readable, words: Words) -> SocksView | None:
    """The socks issued and the sock guide; None when no socks were issued."""
    kit, source = reading.plan.socks, reading.source
    if kit is None or not kit.socks:
        return None
    owned = []
    for index, sock in enumerate(kit.socks):
        place = f"socks.socks[{index}]"
        row = words.say(
            "socks.row",
            count=words.number(sock.count, source(f"{place}.count")),
            ply=words.number(sock.ply, source(f"{place}.ply")),
        )
        extra: list[Said] = []
        if sock.material:
            extra.append(words.text(sock.material, source(f"{place}.material"), lang="en"))
        if sock.band_color:
            color = words.text(sock.band_color, source(f"{place}.band_color"), lang="en")
            extra.append(words.say("socks.band", color=color))
        owned.append(_listed(row, extra))
    ply = words.number(kit.ply_at_delivery, source("socks.ply_at_delivery"))
    return SocksView(
        owned=tuple(owned),
        start=words.say("don.start-ply", ply=ply)
        if kit.ply_at_delivery
        else replace(words.say("don.start-no-ply"), source=source("socks.ply_at_delivery")),
        guide=tuple(_guide(kit, reading, words)),
    )


def _guide(kit: SockKit, reading: Readable, words: Words) -> Iterable[SockRow]:
    """One row a total; totals in a row that cannot be made, and mean nothing else, share one."""
    rows = list(enumerate(reading.plan.care.sock_guide))

    def plain(row: SockLayers) -> bool:
        return not row.possible and row.ply < kit.adjust_at_ply and row.ply != kit.ply_at_delivery

    while rows:
        index, row = rows.pop(0)
        last = index
        while plain(row) and rows and plain(rows[0][1]):
            last = rows.pop(0)[0]
        number = _ply(index, reading, words)
        yield SockRow(
            total=words.say("socks.ply", n=number)
            if last == index
            else words.say("socks.ply-range", n=number, m=_ply(last, reading, words)),
            layers=_layers(row, f"care.sock_guide[{index}]", reading, words),
            call=row.ply >= kit.adjust_at_ply,
            start=row.ply == kit.ply_at_delivery,
        )


def _ply(index: int, reading: Readable, words: Words) -> Value:
    place = f"care.sock_guide[{index}].ply"
    return words.number(reading.plan.care.sock_guide[index].ply, reading.source(place))


def _layers(row: SockLayers, place: str, reading: Readable, words: Words) -> Said:
    if not row.possible:
        return replace(words.say("socks.impossible"), source=reading.source(f"{place}.possible"))
    if not row.layers:
        return replace(words.say("socks.none"), source=reading.source(f"{place}.ply"))
    numbers = [
        words.number(ply, reading.source(f"{place}.layers[{index}]")) for index, ply in enumerate(row.layers)
    ]
    if len(numbers) == 1:
        return words.say("socks.ply", n=numbers[0])
    parts = [
        words.say("socks.layer-next" if index else "socks.layer-first", n=number)
        for index, number in enumerate(numbers)
    ]
    return _listed(parts[0], parts[1:])


def _listed(first: Said, rest: Iterable[Said]) -> Sentence:
    parts = {f"v{index}": part for index, part in enumerate((first, *rest))}
    return Sentence("", ", ".join(f"{{{name}}}" for name in parts), parts)
