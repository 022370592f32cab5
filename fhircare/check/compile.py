"""Turns definitions into straight-line Python: one function for each node, made when needed.

For ``Period`` (two dateTimes and the rule per-1) this is what is generated and run::

    def Period(o, p, w):
        if o.__class__ is not dict or not o:
            not_object(o, p, w, "Period")
            return  # said, and nothing more to look at
        w.keys += len(o)
        get = o.get
        n = 0
        v = get("id")
        if v is not None:
            n += 1
            if not (v.__class__ is str and v.isprintable() and v.strip()):
                bad(o, "id", v, p, w, "Period")
            if len(o) == 1:
                only_id(p, w)
        v = get("extension")
        if v is not None:
            n += 1
            if v.__class__ is list and v:
                q = (p, "extension")
                for i, x in enumerate(v):
                    Extension(x, (q, i), w)
            else:
                not_list(v, p, w, "Period", "extension")
        v = get("start")
        if v is not None:
            n += 1
            if not (v.__class__ is str and sound_datetime(v)):
                bad(o, "start", v, p, w, "Period")
        ...                                                     # the same for end
        if n != len(o):
            rest(o, p, w, members_Period)
        try:
            if not (...):                                       # per-1, as Python
                broken(o, p, w, "Period")
        except UNDECIDABLE:
            broken(o, p, w, "Period")

``o`` is the JSON object, ``p`` its path, ``w`` the walk, ``n`` the members accounted for. All functions
share one namespace, in which a node not yet compiled is a stub that compiles it. What is not plainly
right goes to ``explain``, ``members`` or ``terminology``, which look again and find the words.
``Compiler.source`` returns the text of a function.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

from fhircare.check import explain, members, primitives, rules, terminology
from fhircare.check.extras import EXTRAS, NAMES
from fhircare.check.links import element_page
from fhircare.check.primitives import SOUND

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.check.path import Path
    from fhircare.check.walk import Checker, Walk
    from fhircare.spec import Definitions, Element, Node, TypeRef

CODED = {"CodeableConcept": "concept", "Coding": "coding"}
LINKS = {"canonical": "canonicals", "url": "urls"}


def _identifier(node_id: str) -> str:
    return node_id.replace(".", "_")


def _indent(lines: list[str], by: int = 1) -> list[str]:
    return ["    " * by + line for line in lines]


class Compiler:
    """The compiled checkers of one release.

    Attributes:
        definitions: What they are compiled from.
        namespace: The globals of everything generated.
    """

    def __init__(self, definitions: Definitions) -> None:
        self.definitions = definitions
        self.namespace: dict[str, Any] = {k: v for k, v in vars(primitives).items() if k.startswith("sound_")}
        self.namespace["Decimal"] = Decimal
        for module in (explain, members, terminology):
            self.namespace.update({k: v for k, v in vars(module).items() if callable(v)})
        self.namespace.update(NAMES)
        self.rules = rules.Rules(definitions, self.namespace)
        self._done: set[str] = set()
        self._quick: dict[str, Callable[[Any], Any]] = {}

    def checker(self, node_id: str) -> Checker:
        """Return the checker of a node, compiled now or before."""
        name = _identifier(node_id)
        if node_id not in self._done:
            self._done.add(node_id)
            code = compile(self.source(node_id), f"<fhircare {self.definitions.release} {node_id}>", "exec")
            exec(code, self.namespace)  # noqa: S102 - our own text, made of the definitions that ship with us
        found: Checker = self.namespace[name]
        return found

    def _name_of(self, node_id: str) -> str:
        """Return the name a node's checker has in the namespace, with a stub there until it is compiled."""
        name = _identifier(node_id)
        if name not in self.namespace:

            def stub(o: Any, p: Path, w: Walk) -> None:
                self.checker(node_id)(o, p, w)

            self.namespace[name] = stub
        return name

    def source(self, node_id: str) -> str:
        """Return the Python text of a node's checker.

        Raises:
            KeyError: For a node the release does not have.
        """
        definition = self.definitions.type(node_id)
        if definition is not None and node_id not in definition.nodes:
            return self._profile_source(node_id)
        node = self.definitions.node(node_id)
        if node is None:
            raise KeyError(node_id)
        return "\n".join(self._function(node)) + "\n"

    def _profile_source(self, name: str) -> str:
        """Return the checker of a profile on a data type: its own rules, run after the type's."""
        lines = [f"def {name}(o, p, w):", "    get = o.get", *_indent(self.rules.lines(name))]
        return "\n".join(lines) + "\n"

    def _function(self, node: Node) -> list[str]:
        definition = self.definitions.type(node.id)
        is_resource = definition is not None and definition.kind == "resource"
        body = [
            "if o.__class__ is not dict or not o:",
            f'    not_object(o, p, w, "{node.id}")',
            "    return",
            "w.keys += len(o)",
            "get = o.get",
            f"n = {1 if is_resource else 0}",
        ]
        for element in node.elements.values():
            if len(element.names) == 1 and not element.name.endswith("[x]"):
                body += self._element(node, element, is_resource=is_resource)
        self.namespace[f"members_{_identifier(node.id)}"] = table = self._members(
            node, is_resource=is_resource
        )
        if table.required:
            body.append(f"n += choose(o, p, w, members_{_identifier(node.id)})")
        elif table.variants:
            body += ["if n != len(o):", f"    n += choose(o, p, w, members_{_identifier(node.id)})"]
        body += ["if n != len(o):", f"    rest(o, p, w, members_{_identifier(node.id)})"]
        if node.id in EXTRAS:
            guard, name = EXTRAS[node.id]
            body += ["try:", f"    if {guard}:", f"        {name}(o, p, w)", "except TypeError:", "    pass"]
        body += self.rules.lines(node.id)
        return [f"def {_identifier(node.id)}(o, p, w):", *_indent(body)]

    def _element(self, node: Node, element: Element, *, is_resource: bool) -> list[str]:
        key = element.name
        kind = element.names[key]
        lines = [f'v = get("{key}")', "if v is not None:", "    n += 1"]
        if element.node or kind.code not in SOUND:
            lines += _indent(self._complex(node, element, kind))
        else:
            lines += _indent(self._primitive(node, element, kind))
        if key == "id" and not is_resource:
            lines += ["    if len(o) == 1:", "        only_id(p, w)"]
        if element.min:
            lines += ["else:", f'    missing(o, p, w, "{node.id}", "{key}")']
        return lines

    def _primitive(self, node: Node, element: Element, kind: TypeRef) -> list[str]:
        key = element.name
        sound = self._sound(node, element, kind)
        if not element.is_list:
            lines = [f"if not ({sound}):", f'    bad(o, "{key}", v, p, w, "{node.id}")']
            gather = self._gather(node, element, kind, f'(p, "{key}")')
            lines += ["else:", *_indent(gather)] if gather else []
        else:
            gather = self._gather(node, element, kind, f'((p, "{key}"), i)')
            loop = "for i, v in enumerate(x):" if gather else "for v in x:"
            lines = [
                "x = v",
                "if x.__class__ is not list or not x:",
                f'    not_list(x, p, w, "{node.id}", "{key}")',
                "else:",
                f"    {loop}",
                f"        if not ({sound}):",
                f'            bad_list(o, "{key}", x, p, w, "{node.id}")',
                "            break",
                *_indent(gather, 2),
            ]
        if element.constraints:
            lines += self.rules.element_lines(node, element, f'(p, "{key}")')
        return lines

    def _sound(self, node: Node, element: Element, kind: TypeRef) -> str:
        """Return the quick test: the primitive's own, or membership in what a binding is known to allow."""
        binding = element.binding
        if binding is None or binding.strength == "example" or not binding.value_set:
            return SOUND[kind.code]
        name = f"codes_{_identifier(node.id)}_{element.name.removesuffix('[x]')}"
        self.namespace[name] = terminology.good_codes(self.definitions, binding)
        return f"v.__class__ is str and v in {name}"

    def _gather(self, node: Node, element: Element, kind: TypeRef, place: str) -> list[str]:
        """Return the line that notes a canonical, a link or a narrative."""
        if kind.code == "xhtml":
            return [f"w.narratives.append(({place}, v, None, w.scope))"]
        if kind.code not in LINKS:
            return []
        return [f"w.{LINKS[kind.code]}.append(({place}, v, {self._targets(node, element, kind)}, w.scope))"]

    def _targets(self, node: Node, element: Element, kind: TypeRef) -> str:
        if kind.targets is None:
            return "None"
        name = f"targets_{_identifier(node.id)}_{element.name.removesuffix('[x]')}"
        self.namespace[name] = kind.targets
        return name

    def _complex(self, node: Node, element: Element, kind: TypeRef) -> list[str]:
        key = element.name
        if not element.is_list:
            return self._value(node, element, kind, "v", f'(p, "{key}")')
        return [
            "if v.__class__ is list and v:",
            f'    q = (p, "{key}")',
            "    for i, v in enumerate(v):",
            *_indent(self._value(node, element, kind, "v", "(q, i)"), 2),
            "else:",
            f'    not_list(v, p, w, "{node.id}", "{key}")',
        ]

    def _value(self, node: Node, element: Element, kind: TypeRef, v: str, place: str) -> list[str]:
        """Return the lines that check one value of a complex type."""
        if kind.code == "Resource":
            role = {"contained": "contained", "resource": "entry"}.get(element.name, "part")
            if node.id != "Bundle.entry" and role == "entry":
                role = "part"
            entry = "o" if role == "entry" else "None"
            return [f'w.enter({v}, {place}, "{role}", {entry})']
        name = self._name_of(element.node or kind.code)
        extra: list[str] = []
        if kind.code == "Reference":
            targets = self._targets(node, element, kind)
            extra += [f"if {v}.__class__ is dict:", f"    w.references.append((r, {v}, {targets}, w.scope))"]
        bound = self._bound(node, element) if kind.code in CODED else None
        if bound is not None:
            constant = f"bound_{_identifier(node.id)}_{element.name.removesuffix('[x]')}"
            self.namespace[constant] = bound
            extra.append(f"{CODED[kind.code]}({v}, r, w, {constant})")
        for profile in kind.profiles:
            held = self.definitions.type(profile)
            if held is not None and held.name not in held.nodes:
                extra += [f"if {v}.__class__ is dict:", f"    {self._name_of(profile)}({v}, r, w)"]
        if element.constraints:
            extra += self.rules.element_lines(node, element, "r")
        if extra:
            return [f"r = {place}", f"{name}({v}, r, w)", *extra]
        return [f"{name}({v}, {place}, w)"]

    def _bound(self, node: Node, element: Element) -> terminology.Bound | None:
        definition = self.definitions.type(node.id.split(".", maxsplit=1)[0])
        kind = definition.kind if definition else ""
        link = element_page(self.definitions.release, kind, node.id, element.name)
        return terminology.bound(self.definitions, element.binding, link)

    def _members(self, node: Node, *, is_resource: bool) -> members.Members:
        names = {key for element in node.elements.values() for key in element.names}
        if is_resource:
            names.add("resourceType")
        are_lists = {
            key: element.is_list
            for element in node.elements.values()
            for key, kind in element.names.items()
            if kind.code in SOUND and not element.node
        }
        variants: dict[str, members.Variant] = {}
        for element in node.elements.values():
            if element.name.endswith("[x]"):
                for key, kind in element.names.items():
                    variants[key] = members.Variant(element.name, self._variant(node, element, key, kind))
        required = tuple(e.name for e in node.elements.values() if e.min and e.name.endswith("[x]"))
        extension = self._name_of("Extension")
        return members.Members(
            node.id,
            frozenset(names),
            are_lists,
            variants,
            required,
            lambda o, p, w: self.namespace[extension](o, p, w),  # noqa: PLW0108 - it may still be the stub
        )

    def _variant(
        self, node: Node, element: Element, key: str, kind: TypeRef
    ) -> Callable[[Any, dict[str, Any], Path, Walk], None]:
        """Return the check of a choice written as ``key``, compiled when first used."""
        compiled: list[Callable[[Any, dict[str, Any], Path, Walk], None]] = []

        def check(v: Any, o: dict[str, Any], p: Path, w: Walk) -> None:
            if not compiled:
                name = f"{_identifier(node.id)}_{key}"
                one = element._replace(name=key, names={key: kind}, types=(kind,), min=0)
                if kind.code in SOUND:
                    body = self._primitive(node, one, kind)
                else:
                    body = self._value(node, one, kind, "v", f'(p, "{key}")')
                text = "\n".join([f"def {name}(v, o, p, w):", *_indent(body)]) + "\n"
                exec(compile(text, f"<fhircare {name}>", "exec"), self.namespace)  # noqa: S102 - see checker
                compiled.append(self.namespace[name])
            compiled[0](v, o, p, w)

        return check
