"""From one release to the other: an object, its elements, and what is in them.

``turn`` goes through a resource with the definitions of the release it is in. Values are turned first, then
each lens of the two nodes (``pairing``) takes its elements and says them anew. Where going back would not
give what there was, the elements are kept in cross-version extensions; on the way home such an extension is
used when the lens, applied to it, gives what now stands in the resource, and left out with a note when
somebody has changed that meanwhile.

So a resource that goes there and back is what it was, whatever a lens forgets.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.releases import kept
from fhircare.releases.lens import Way, either, names_of
from fhircare.releases.pairing import Pairing, counterpart, pairing
from fhircare.releases.rules import APART, SYSTEMS_OF_TYPES
from fhircare.releases.shape import RESOURCE, Slot, extension_types, is_resource, shape

if TYPE_CHECKING:
    from fhircare.releases.table import Json

_TOP = ("id", "meta", "implicitRules", "language", "text", "contained", "extension", "modifierExtension")


class Note(NamedTuple):
    """What became of something that the other release does not have, or not so.

    Attributes:
        path: Its FHIRPath in the resource as it came.
        outcome: ``kept`` in a cross-version extension; ``stale``: what had been kept no longer fits and was
            left out; ``left``: no element of the release it is said to be in, and left as it was; ``lost``:
            could not be expressed.
        text: A sentence for people, without any value.
        element: For ``kept``, which element of which type it is, such as ``Device.statusReason``.
    """

    path: str
    outcome: str
    text: str
    element: str = ""


class Turn:
    """One way, from ``source`` to ``target``; collects notes."""

    def __init__(self, source: str, target: str) -> None:
        self.source = source
        self.target = target
        self.to_r5 = target == "R5"
        self.notes: list[Note] = []

    # ------------------------------------------------------------------------------------ resources

    def resource(self, resource: Any, path: str) -> Any:
        """Return a resource in the other release."""
        kind = resource.get("resourceType") if isinstance(resource, dict) else None
        if not isinstance(kind, str) or not is_resource(self.source, kind):
            self._note(path, "left", f"is no resource of {self.source}")
            return resource
        body = {name: value for name, value in resource.items() if name != "resourceType"}
        if kind == "Basic":
            inside = self._in_basic(body)
            if inside:
                return self._out_of_basic(body, inside, path)
        other = counterpart(kind, to_r5=self.to_r5)
        if not is_resource(self.target, other):
            return self._into_basic(kind, body, path)
        return {"resourceType": other} | self.object(body, kind, other, path)

    def _into_basic(self, kind: str, body: Json, path: str) -> Json:
        """Return a resource of a type that the target lacks as a Basic: FHIR's place for such."""
        turned = self.object(body, kind, "", path)
        top = {name: value for name, value in turned.items() if name in _TOP}
        rest = {name: value for name, value in turned.items() if name not in _TOP}
        self._note(path, "kept", f"{kind} is no resource of {self.target}; it stands in a Basic", kind)
        code = {"coding": [{"system": SYSTEMS_OF_TYPES[self.source], "code": kind}]}
        made = {"resourceType": "Basic"} | top
        self._keep(made, rest, kind, path, tell=False)
        return made | {"code": code}

    def _in_basic(self, body: Json) -> str:
        """Return the type of the target that a Basic holds, "" when it is a Basic of its own."""
        code = body.get("code")
        codings = code.get("coding") if isinstance(code, dict) and code.keys() == {"coding"} else None
        one = codings[0] if isinstance(codings, list) and len(codings) == 1 else None
        if not isinstance(one, dict) or one.keys() != {"system", "code"}:
            return ""
        kind = one["code"]
        held = one["system"] == SYSTEMS_OF_TYPES[self.target] and is_resource(self.target, str(kind))
        return kind if held and not is_resource(self.source, str(kind)) else ""

    def _out_of_basic(self, body: Json, kind: str, path: str) -> Json:
        turned = self.object({n: v for n, v in body.items() if n != "code"}, "Basic", "", path)
        found = kept.pulled(turned, self.target, kind)
        return {"resourceType": kind} | turned | found

    # -------------------------------------------------------------------------------------- objects

    def object(self, body: Json, node: str, other: str, path: str) -> Json:
        """Return an object in the other release.

        Args:
            body: Its elements.
            node: Its node in the source.
            other: Its node in the target; "" when there is none: then only the values in it are turned.
            path: Its FHIRPath, for notes.
        """
        slots = shape(self.source, node)
        if not slots:
            return body
        work: Json = {}
        odd: Json = {}
        for name, value in body.items():
            slot = slots.get(name.removeprefix("_"))
            if slot is None:
                self._note(f"{path}.{name}", "left", f"is no element of {self.source}")
                odd[name] = value
            elif name.startswith("_"):
                work[name] = self._beside(value, f"{path}.{name}")
            elif not slot.node:
                work[name] = value
            elif isinstance(value, list) is slot.is_list:
                work[name] = self._value(value, slot, self._inside(node, slot, other), f"{path}.{name}")
            else:
                self._note(f"{path}.{name}", "left", f"is not what {self.source} has there")
                odd[name] = value
        turned = self._through_lenses(work, body, (node, other), path) if other else work
        return self._with_odd(turned, odd, path)

    def _with_odd(self, turned: Json, odd: Json, path: str) -> Json:
        for name, value in odd.items():
            if name in turned:
                self._note(f"{path}.{name}", "lost", "its place was needed")
            else:
                turned[name] = value
        return turned

    def _inside(self, node: str, slot: Slot, other: str) -> str:
        """Return the target's node for what an element holds, "" where only the values in it are turned.

        A backbone element has a counterpart only where the parent's counterpart holds it; in an object that
        has none, a type that no extension may hold will be kept element by element, as it is.
        """
        mine = counterpart(slot.node, to_r5=self.to_r5)
        if "." in slot.node:
            apart = all(one.node != mine for one in shape(self.target, other).values())
        else:
            apart = not other and slot.node != RESOURCE and slot.type not in extension_types(self.target)
        return "" if apart or f"{node}.{slot.element}" in APART or not shape(self.target, mine) else mine

    def _value(self, value: Any, slot: Slot, other: str, path: str) -> Any:
        if isinstance(value, list):
            return [self._one(one, slot, other, f"{path}[{place}]") for place, one in enumerate(value)]
        return self._one(value, slot, other, path)

    def _one(self, value: Any, slot: Slot, other: str, path: str) -> Any:
        if slot.node == RESOURCE:
            return self.resource(value, path)
        if not isinstance(value, dict):
            self._note(path, "left", f"is not what {self.source} has there")
            return value
        return self.object(value, slot.node, other, path)

    def _beside(self, value: Any, path: str) -> Any:
        """Return what belongs to a primitive (its id and extensions), or a list of that."""
        if isinstance(value, list):
            return [self._beside(one, f"{path}[{place}]") for place, one in enumerate(value)]
        return self.object(value, "Element", "Element", path) if isinstance(value, dict) else value

    # --------------------------------------------------------------------------------------- lenses

    def _through_lenses(self, work: Json, body: Json, nodes: tuple[str, str], path: str) -> Json:
        node, other = nodes
        found = pairing(node, other) if self.to_r5 else pairing(other, node)
        places = found.by_r4 if self.to_r5 else found.by_r5
        home = kept.pulled(work, self.target, other) | self._from_meta(work, other)
        fills = found.fills_r5 if self.to_r5 else found.fills_r4
        due = {places[name] for name in kept.elements(work) if name in places}
        if not (due or home or fills):
            return work
        back_places = found.by_r5 if self.to_r5 else found.by_r4
        due |= {back_places[name] for name in kept.elements(home) if name in back_places}
        own_fills = found.fills_r4 if self.to_r5 else found.fills_r5
        out: Json = {}
        keep: Json = {}
        for name in [*work, *home]:
            place = places.get(name.removeprefix("_"), -1) if name in work else -1
            if name not in work:
                place = back_places.get(name.removeprefix("_"), -1)
            if place < 0:
                if name in work:
                    out[name] = work[name]
                elif name not in out:
                    out[name] = home[name]
            elif place in due:
                due.discard(place)
                lens = found.lenses[place]
                result, left = self._look(lens, work, home, fills, own_fills, (node, path))
                out |= result
                keep |= left
        for element, fill in fills.items():
            if not self._said(element, other, out) and not self._missing(fill, found, work, node):
                out |= fill
        if keep:
            self._keep(out, {name: self._whole(name, keep, body, node) for name in keep}, node, path)
        return out

    def _said(self, element: str, other: str, out: Json) -> bool:
        slots = [slot for slot in shape(self.target, other).values() if slot.element == element]
        return any(name in out for slot in slots for name in names_of(slot.name))

    def _missing(self, fill: Json, found: Pairing, work: Json, node: str) -> bool:
        """Tell whether the source lacks what it requires itself: its own fault, and not for us to fill."""
        places = found.by_r5 if self.to_r5 else found.by_r4
        place = places.get(next(kept.elements(fill)), -1)
        if place < 0:
            return False
        mine = either(found.lenses[place], to_r5=self.to_r5)[0]
        slots = [slot for slot in shape(self.source, node).values() if slot.name in mine]
        asked = any(slot.required for slot in slots)
        return asked and not any(name in work for one in mine for name in names_of(one))

    def _look(
        self, lens: Any, work: Json, home: Json, fills: Json, own_fills: Json, place: tuple[str, str]
    ) -> tuple[Json, Json]:
        """Return what a lens makes of its elements, and what of them is to be kept."""
        mine, theirs, way, way_back = either(lens, to_r5=self.to_r5)
        part = {n: work[n] for name in mine for n in names_of(name) if n in work}
        candidate = {n: home[n] for name in theirs for n in names_of(name) if n in home}
        bare = _without_fills(part, own_fills)
        if candidate:
            said = _went(way_back, candidate)
            if said in (part, bare):
                return candidate, {}
            self._note(
                f"{place[1]}.{theirs[0]}", "stale", "what had been kept no longer fits; it is left out"
            )
        result = _went(way, bare)
        if _went(way_back, result) == bare and not any(
            fill.items() <= result.items() for fill in fills.values()
        ):
            return result, {}
        return result, bare

    def _keep(self, out: Json, part: Json, node: str, path: str, *, tell: bool = True) -> None:
        try:
            made = kept.write(part, self.source, self.target, node)
        except kept.InexpressibleError:
            self._note(path, "lost", f"{', '.join(kept.elements(part))} cannot be said in {self.target}")
            return
        for name in kept.elements(part) if tell else ():
            self._note(f"{path}.{name}", "kept", f"{self.target} does not have it so", f"{node}.{name}")
        other = counterpart(node, to_r5=self.to_r5)
        holder = out
        if (
            other.partition(".")[0] == other
            and is_resource(self.target, other)
            and not shape(self.target, other).get("extension")
        ):
            holder = out.setdefault("meta", {})
        for one in made:
            name = "modifierExtension" if kept.is_modifier(one) else "extension"
            holder[name] = [*holder.get(name, ()), one]

    def _whole(self, name: str, part: Json, body: Json, node: str) -> Any:
        """Return a value as it is to be kept: in the source's elements, the values in them turned."""
        slot = shape(self.source, node).get(name)
        if slot is None or not slot.node or slot.node == RESOURCE:
            return part[name]
        apart = f"{node}.{slot.element}" in APART
        if not apart and "." not in slot.node:
            return part[name]
        mine = counterpart(slot.node, to_r5=self.to_r5) if apart else ""
        quiet = Turn(self.source, self.target)
        return quiet._value(body[name], slot, mine if shape(self.target, mine) else "", "")

    def _from_meta(self, work: Json, other: str) -> Json:
        """Take what is kept for a resource without extensions of its own (Bundle, Binary) out of its meta."""
        meta = work.get("meta")
        if not isinstance(meta, dict) or not is_resource(self.target, other):
            return {}
        if "extension" in shape(self.target, other):
            return {}
        work["meta"] = meta = dict(meta)
        found = kept.pulled(meta, self.target, other)
        if not meta:
            del work["meta"]
        return found

    def _note(self, path: str, outcome: str, text: str, element: str = "") -> None:
        self.notes.append(Note(path, outcome, text, element))


def _without_fills(part: Json, fills: Json) -> Json:
    for fill in fills.values():
        if all(part.get(name) == value for name, value in fill.items()):
            part = {
                name: value
                for name, value in part.items()
                if re.sub("^_", "", name) not in {re.sub("^_", "", one) for one in fill}
            }
    return part


def _went(way: Way, part: Json) -> Json:
    """Return what a way makes of a part; nothing of one that is not shaped as the definitions say."""
    try:
        return way(part)
    except (AttributeError, IndexError, KeyError, TypeError, ValueError):
        return {}
