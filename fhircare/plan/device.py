"""The limb, and what was delivered for it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Annotated, Literal

from annotated_types import Ge, Le, MinLen

from fhircare.plan.part import Count, Identifier, Part, PositiveQuantity, Quantity, Text

Side = Literal["left", "right"]
LimbLevel = Literal["above-knee", "through-knee"]
Cause = Literal["vascular", "diabetes", "trauma", "infection", "tumor", "congenital", "other", "unknown"]
Sensation = Literal["intact", "reduced", "absent", "not-tested"]
LimbSkin = Literal[
    "intact", "fragile-scar", "adherent-scar", "skin-graft", "dry", "callus", "healed-wound", "open-wound"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumference(Part):
    """The limb measured round at one height."""

    height: Quantity
    """Distance below the reference point; 0 cm is at the reference point."""
    girth: PositiveQuantity
    """The distance round."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimbMeasurement(Part):
    """All circumferences taken on one day, from one reference point."""

    on: dt.date
    """The day."""
    reference: Text = "ischial level"
    """Where heights are counted from."""
    circumferences: Annotated[tuple[Circumference, ...], MinLen(1)]
    """From the top down."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limb(Part):
    """The residual limb."""

    side: Side
    """Which leg."""
    level: LimbLevel = "above-knee"
    """Where it ends."""
    amputated_on: dt.date | None = None
    """Date of the amputation; empty when congenital or unknown."""
    cause: Cause = "unknown"
    """Why."""
    skin: Annotated[tuple[LimbSkin, ...], MinLen(1)] = ("intact",)
    """What the skin is like at delivery."""
    protective_sensation: Sensation = "not-tested"
    """Whether the person feels a rub before it harms."""
    measurements: tuple[LimbMeasurement, ...] = ()
    """Circumferences, oldest first."""


ComponentKind = Literal["socket", "liner", "suspension", "knee", "foot", "shrinker", "cover", "other"]
LinerKind = Literal["locking-pin", "lanyard", "cushion", "seal-in"]
SuspensionKind = Literal[
    "locking-pin", "lanyard", "seal-in-suction", "skin-fit-suction", "elevated-vacuum", "belt", "pelvic-band"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Component(Part):
    """One thing that was delivered."""

    kind: ComponentKind
    """What it is."""
    name: Text
    """What the clinic calls it, such as Silicone liner, size 28."""
    count: Count = 1
    """How many alike. Two liners worn in turn: count 2, or two components with their serials."""
    liner_kind: LinerKind | None = None
    """For a liner: how it holds."""
    manufacturer: str = ""
    """Maker, as on the label."""
    model: str = ""
    """Model or part number, as on the label."""
    serial: str = ""
    """Serial number."""
    lot: str = ""
    """Lot number."""
    udi: str = ""
    """Unique Device Identifier, the whole human-readable string."""
    hcpcs: str = ""
    """HCPCS Level II code, such as L5673."""
    mass_limit: PositiveQuantity | None = None
    """Heaviest person it is made for."""
    heel_height: Quantity | None = None
    """For a foot: the heel height it was aligned for."""
    battery: bool = False
    """True when it must be charged."""
    water_safe: bool = False
    """True when its label says that it may get wet."""
    replace_by: dt.date | None = None
    """When it is expected to be worn out."""
    warranty_until: dt.date | None = None
    """Last day of the warranty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prosthesis(Part):
    """What was delivered, as one device with its parts."""

    delivered_on: dt.date
    """Day of delivery."""
    identifier: Identifier | None = None
    """The clinic's number for it; made from the plan's own number when empty."""
    first: bool
    """True for a person's first prosthesis, False for a replacement."""
    new_socket: bool = True
    """True when the socket is new to the person."""
    suspension: SuspensionKind
    """What keeps it on."""
    components: Annotated[tuple[Component, ...], MinLen(1)]
    """Its parts, in the order the clinic lists them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sock(Part):
    """Socks of one kind that the person was given."""

    ply: Annotated[int, Ge(1), Le(12)]
    """Nominal ply on the label. Ply is a label, not a length."""
    count: Count
    """How many."""
    material: str = ""
    """Such as wool or cotton."""
    band_color: str = ""
    """Color of the band, only as the clinic states it: makers differ."""
    over_liner: bool = True
    """True when worn over the liner, False when worn on the skin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SockKit(Part):
    """The socks issued and how they are worn."""

    socks: tuple[Sock, ...] = ()
    """What was issued."""
    ply_at_delivery: Annotated[int, Ge(0), Le(30)] = 0
    """Total ply worn when the prosthesis was handed over; 0 for none."""
    adjust_at_ply: Annotated[int, Ge(1), Le(30)] = 8
    """Total ply at which the clinic wants to see the socket (common practice 8 to 10, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shoes(Part):
    """The shoes the leg was set up with."""

    heel_height: PositiveQuantity | None = None
    """Heel height of the shoes at delivery."""
    description: str = ""
    """Such as laced walking shoes."""
