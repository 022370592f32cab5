"""Writes the checkers of a type as straight-line Python: one function for each of its nodes.

For ``Period`` (two dateTimes, and the rule per-1) this is what is written, constants first::

    need()                                      # the other types it calls, none here
    members_Period = Members("Period", {"start": False, "end": False}, frozenset(("id", ...)), {}, ())

    def Period(o, p, w):
        if o.__class__ is not dict or not o:
            return not_object(o, p, w, "Period")
        w.keys += len(o)
        get = o.get
        n = 0
        v = get("start")
        if v is not None:
            n += 1
            if not (v.__class__ is str and sound_datetime(v)):
                bad(o, "start", v, p, w, "Period")
        v = get("end")
        if v is not None:
            n += 1
            if not (v.__class__ is str and sound_datetime(v)):
                bad(o, "end", v, p, w, "Period")
        if n != len(o):
            rest(o, p, w, members_Period)
        try:
            if not (...):                       # per-1, as Python
                broken(p, w, "Period", "", "per-1")
        except UNDECIDABLE:
            undecided(p, w, "Period", "", o, None)

``o`` is the JSON object, ``p`` its path, ``w`` the walk, ``n`` the members accounted for. What is not
plainly right goes to ``explain``, ``members``, ``terminology`` or ``invariants``, which look again and
find the words. Ids and extensions of data types are rare enough to be left to ``rest``; what all
resources share is written once, in the checker of their base.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.check.extras import EXTRAS
from fhircare.check.fhirpath.build import inline
from fhircare.check.fhirpath.model import SpecModel
from fhircare.check.invariants import ELSEWHERE, element_rules, node_rules
from fhircare.check.links import element_page
from fhircare.check.primitives import sound

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fhircare.spec import Constraint, Definitions, Element, Node, TypeDef, TypeRef

CODED = {"CodeableConcept": "concept", "Coding": "coding", "CodeableReference": "codeable"}
GATHERED = {"xhtml": "narratives", "canonical": "canonicals", "url": "urls"}
# What has a system and a code; the safety rules read them all.
WITH_A_CODE = frozenset({"Coding", "Quantity", "Age", "Count", "Distance", "Duration"})
LEFT_TO_REST = frozenset({"id", "extension", "modifierExtension"})


def identifier(node_id: str) -> str:
    """Return the Python name of a node's checker."""
    return node_id.replace(".", "_")


def _indent(lines: Iterable[str], by: int = 1) -> list[str]:
    return ["    " * by + line for line in lines]


def type_source(definitions: Definitions, name: str) -> str:
    """Return the Python text of a type's checkers.

    Raises:
        KeyError: For a type the release does not have.
    """
    definition = definitions.type(name)
    if definition is None:
        raise KeyError(name)
    return _TypeWriter(definitions, definition).text()


class _TypeWriter:
    """Writes one type: its constants in ``head``, its functions after them."""

    def __init__(self, definitions: Definitions, definition: TypeDef) -> None:
        self.definitions, self.definition = definitions, definition
        self.model = SpecModel(definitions)
        self.sound = sound(definitions.release)
        self.needed: set[str] = set()
        self.head: dict[str, str] = {}
        self.functions: list[str] = []
        self._conditions = 0

    def text(self) -> str:
        """Return the whole text."""
        if self.definition.name in self.definition.nodes:
            for node in self.definition.nodes.values():
                self.functions += ["", *self._function(node)]
        else:
            self.functions += ["", *self._profile()]
        needed = ", ".join(f'"{name}"' for name in sorted(self.needed))
        constants = [f"{name} = {value}" for name, value in self.head.items()]
        return "\n".join([f"need({needed})", *constants, *self.functions]) + "\n"

    def _profile(self) -> list[str]:
        """Write a profile on a data type: its own rules, run after the checker of the type."""
        name = self.definition.name
        rules, context = node_rules(self.definitions, name)
        return [f"def {name}(o, p, w):", *_indent(self._rules(rules, context, name)), "    return"]

    def _function(self, node: Node) -> list[str]:
        name = identifier(node.id)
        is_resource = self.definition.kind == "resource" and "." not in node.id
        base = self.definitions.node(self.definition.base) if is_resource else None
        shared = set(base.elements) if base else set()
        body = [
            "if o.__class__ is not dict or not o:",
            f'    return not_object(o, p, w, "{node.id}")',
            "w.keys += len(o)",
        ]
        is_base = is_resource and self.definition.abstract
        own = 1 if is_resource and not is_base else 0
        start = f"n = {own}"
        if base:
            self.needed.add(base.id)
            start += f" + {identifier(base.id)}(o, p, w)"
        if is_base:
            body = []
        if node.id in WITH_A_CODE:
            body.append("w.codings.append(o)")
        elif node.id == "CodeableConcept":
            body += ['if "text" in o:', "    w.concepts.append((p, o, w.scope))"]
        body += ["get = o.get", start]
        for element in node.elements.values():
            single = not element.name.endswith("[x]")
            left = element.name in LEFT_TO_REST and not is_resource
            if single and not left and element.name not in shared:
                body += self._element(node, element)
        if is_base:
            body += [*self._rules(*node_rules(self.definitions, node.id), node.id), "return n"]
            return [f"def {name}(o, p, w):", *_indent(body)]
        table = self._members(node, is_resource=is_resource)
        choices = [element for element in node.elements.values() if element.name.endswith("[x]")]
        if any(element.min for element in choices):
            body.append(f"n += choose(o, p, w, {table})")
        elif choices:
            body += ["if n != len(o):", f"    n += choose(o, p, w, {table})"]
        body += ["if n != len(o):", f"    rest(o, p, w, {table})"]
        if node.id in EXTRAS:
            guard, function = EXTRAS[node.id]
            body += [
                "try:",
                f"    if {guard}:",
                f"        {function}(o, p, w)",
                "except (TypeError, AttributeError):",
                "    pass",
            ]
        body += self._rules(*node_rules(self.definitions, node.id), node.id)
        return [f"def {name}(o, p, w):", *_indent(body)]

    def _element(self, node: Node, element: Element) -> list[str]:
        key = element.name
        kind = element.names[key]
        lines = [f'v = get("{key}")', "if v is not None:", "    n += 1"]
        if element.node or kind.code not in self.sound:
            lines += _indent(self._complex(node, element, kind))
        else:
            lines += _indent(self._primitive(node, element, kind))
        if element.min:
            lines += ["else:", f'    missing(o, p, w, "{node.id}", "{key}")']
        return lines

    def _primitive(self, node: Node, element: Element, kind: TypeRef) -> list[str]:
        key = element.name
        sound = self._sound(element, kind)
        gathered = GATHERED.get(kind.code)
        at = f'(p, "{key}")'
        if element.is_list:
            at = f"({at}, i)"
        gather = (
            [f"w.{gathered}.append(({at}, v, {self._targets(node, element, kind)}, w.scope))"]
            if gathered
            else []
        )
        if element.is_list:
            return [
                "x = v",
                "if x.__class__ is not list or not x:",
                f'    not_list(x, p, w, "{node.id}", "{key}")',
                "else:",
                "    for i, v in enumerate(x):" if gather else "    for v in x:",
                f"        if not ({sound}):",
                f'            bad_list(o, "{key}", x, p, w, "{node.id}")',
                "            break",
                *_indent(gather, 2),
            ]
        lines = [f"if not ({sound}):", f'    bad(o, "{key}", v, p, w, "{node.id}")']
        lines += ["else:", *_indent(gather)] if gather else []
        return lines + self._element_rules(node, element, f'(p, "{key}")')

    def _sound(self, element: Element, kind: TypeRef) -> str:
        """Return the quick test: the primitive's own, or membership in what a binding is known to allow."""
        binding = element.binding
        if element.absolute:
            return "v.__class__ is str and sound_absolute(v)"
        if binding is None or binding.strength == "example" or not binding.value_set:
            return self.sound[kind.code]
        name = f"codes_{identifier(binding.value_set.rsplit('/', maxsplit=1)[-1]).replace('-', '_')}"
        self.head[name] = f'good_codes("{self.definitions.release}", "{binding.value_set}")'
        asked = f'may_be(v, "{binding.value_set}", {name}, "{self.definitions.release}")'
        return f"v.__class__ is str and (v in {name} or {asked})"

    def _targets(self, node: Node, element: Element, kind: TypeRef) -> str:
        if kind.targets is None:
            return "None"
        name = f"targets_{identifier(node.id)}_{element.name.removesuffix('[x]')}"
        self.head[name] = f"frozenset({tuple(sorted(kind.targets))!r})"
        return name

    def _bound(self, node: Node, element: Element, kind: TypeRef) -> str:
        """Return the name of the binding of a coded element, "" when nothing is bound."""
        binding = element.binding
        if (
            kind.code not in CODED
            or binding is None
            or binding.strength == "example"
            or not binding.value_set
        ):
            return ""
        name = f"bound_{identifier(node.id)}_{element.name.removesuffix('[x]')}"
        link = element_page(self.definitions.release, self.definition.kind, node.id, element.name)
        self.head[name] = f'Bound("{self.definitions.release}", {tuple(binding)!r}, "{link}")'
        return name

    def _complex(self, node: Node, element: Element, kind: TypeRef) -> list[str]:
        key = element.name
        if not element.is_list:
            return self._value(node, element, kind, f'(p, "{key}")')
        return [
            "if v.__class__ is list and v:",
            f'    q = (p, "{key}")',
            "    for i, v in enumerate(v):",
            *_indent(self._value(node, element, kind, "(q, i)"), 2),
            "else:",
            f'    not_list(v, p, w, "{node.id}", "{key}")',
        ]

    def _value(self, node: Node, element: Element, kind: TypeRef, place: str) -> list[str]:
        """Write the check of one value ``v`` of a complex type."""
        if kind.code == "Resource":
            role = "part"
            if element.name == "contained":
                role = "contained"
            elif node.id == "Bundle.entry":
                role = "entry"
            entered = f'w.enter(v, {place}, "{role}", {"o" if role == "entry" else "None"})'
            asked = [one for one in kind.profiles if self.model.is_type(one)]
            return [entered, *(f'of_type(v, {place}, w, "{one}")' for one in asked)]
        checker = element.node or kind.code
        self.needed.add(checker)
        extra: list[str] = []
        if kind.code == "Reference":
            targets = self._targets(node, element, kind)
            extra += ["if v.__class__ is dict:", f"    w.references.append((r, v, {targets}, w.scope))"]
        bound = self._bound(node, element, kind)
        before: list[str] = []
        if kind.code == "CodeableReference" and (bound or kind.targets is not None):
            before = ["k = len(w.references)"]
            extra.append(f"codeable(v, r, w, {bound or 'None'}, {self._targets(node, element, kind)}, k)")
        elif bound:
            extra.append(f"{CODED[kind.code]}(v, r, w, {bound})")
        extra += self._profiled(kind, "r")
        extra += self._element_rules(node, element, "r")
        if extra:
            return [f"r = {place}", *before, f"{identifier(checker)}(v, r, w)", *extra]
        return [f"{identifier(checker)}(v, {place}, w)"]

    def _profiled(self, kind: TypeRef, place: str) -> list[str]:
        """Write the check of a value against the profiles its type asks for, such as SimpleQuantity."""
        lines: list[str] = []
        for profile in kind.profiles:
            held = self.definitions.type(profile)
            if held is not None and held.name not in held.nodes:
                self.needed.add(profile)
                lines += ["if v.__class__ is dict:", f"    {profile}(v, {place}, w)"]
        return lines

    def _members(self, node: Node, *, is_resource: bool) -> str:
        """Write the table that ``choose`` and ``rest`` work from; returns its name."""
        lists = {
            key: element.is_list
            for element in node.elements.values()
            for key, kind in element.names.items()
            if kind.code in self.sound and not element.node and not self._is_attribute(node, key)
        }
        others = sorted({key for e in node.elements.values() for key in e.names} - set(lists))
        if is_resource:
            others.append("resourceType")
        left = [] if is_resource else sorted(LEFT_TO_REST & set(node.elements))
        variants = ", ".join(
            f'"{key}": {self._variant(node, element, key, kind)}'
            for element in node.elements.values()
            if element.name.endswith("[x]")
            for key, kind in element.names.items()
        )
        required = tuple(e.name for e in node.elements.values() if e.min and e.name.endswith("[x]"))
        name = f"members_{identifier(node.id)}"
        self.needed.add("Extension")
        self.head[name] = (
            f'Members("{node.id}", {lists!r}, frozenset({tuple(others)!r}), frozenset({tuple(left)!r}), '
            f"{{{variants}}}, {required!r})"
        )
        return name

    def _is_attribute(self, node: Node, key: str) -> bool:
        """Tell whether an element is an attribute in XML, which can have neither id nor extensions."""
        is_type = self.definition.kind != "resource" or "." in node.id
        return is_type and (key == "id" or (node.id == "Extension" and key == "url"))

    def _variant(self, node: Node, element: Element, key: str, kind: TypeRef) -> str:
        """Write one way to write a choice element: its group, type, and what is bound to it."""
        targets = self._targets(node, element, kind) if kind.targets is not None else "None"
        bound = self._bound(node, element, kind) or "None"
        rules = "None"
        one = element._replace(name=key, names={key: kind})
        lines = self._element_rules(node, one, f'(p, "{key}")')
        lines += self._profiled(kind, f'(p, "{key}")')
        if lines:
            rules = f"rules_{identifier(node.id)}_{key}"
            self.functions += ["", f"def {rules}(v, o, p, w):", *_indent(lines)]
            rules = f"lambda v, o, p, w: {rules}(v, o, p, w)"
        primitive = kind.code in self.sound and not element.node
        checker = element.node or kind.code
        return f'Variant("{element.name}", "{checker}", {primitive}, {targets}, {bound}, {rules})'

    def _rules(self, rules: tuple[Constraint, ...], context: str, node_id: str) -> list[str]:
        """Write the invariants of a node, over ``o``."""
        asked, uses_env = self._asked(rules, context, "o", "None")
        env = ["env = w.env"] if uses_env else []
        return [*env, *_tests(asked, f'p, w, "{node_id}", ""', "o", "None")] if asked else []

    def _element_rules(self, node: Node, element: Element, place: str) -> list[str]:
        """Write the invariants stated on an element, over its value ``v``."""
        rules, context = element_rules(element, element.name)
        asked, uses_env = self._asked(rules, context, "v", "e")
        if not asked:
            return []
        primitive = context in self.definitions.primitive_types
        beside = f'o.get("_{element.name}")' if primitive else "None"
        env = ["env = w.env"] if uses_env else []
        return [f"e = {beside}", *env, *_tests(asked, f'{place}, w, "{node.id}", "{element.name}"', "v", "e")]

    def _asked(
        self, rules: tuple[Constraint, ...], context: str, node: str, element: str
    ) -> tuple[list[tuple[str, str]], bool]:
        """Return each invariant's key and its Python, and whether any of them reads ``env``."""
        asked: list[tuple[str, str]] = []
        uses_env = False
        for rule in rules:
            if rule.key in ELSEWHERE:
                continue
            self._conditions += 1
            prefix = f"k_{identifier(self.definition.name)}_{self._conditions}_"
            made = inline(rule.expression, context, self.model, node=node, element=element, prefix=prefix)
            self.head.update(made.constants)
            asked.append((rule.key, made.source))
            uses_env = uses_env or made.uses_env
        return asked, uses_env


def _tests(asked: list[tuple[str, str]], where: str, value: str, beside: str) -> list[str]:
    lines = ["try:"]
    for key, condition in asked:
        lines += [f"    if not ({condition}):", f'        broken({where}, "{key}")']
    return [*lines, "except UNDECIDABLE:", f"    undecided({where}, {value}, {beside})"]
