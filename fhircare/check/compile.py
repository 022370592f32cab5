"""Compiles the checkers that ``write`` writes, once for each type, and keeps the compiled code.

Writing and compiling the sixty types of a usual bundle takes several times as long as Python takes to
start. So an installed fhircare has the text of every type beside it (``checkers``, put into the wheel by
``hatch_build.py``), whose bytecode Python keeps as it does that of modules. In a checkout a type is written
when first needed and its code kept in ``__pycache__``, as long as nothing it was made from has changed;
``PYTHONDONTWRITEBYTECODE`` is heeded. Where it cannot be kept, each process compiles what it needs.

All checkers of a release share one namespace. A checker not yet there is a stub that compiles its type
and is replaced.
"""

from __future__ import annotations

import marshal
import os
import sys
from binascii import crc32
from contextlib import suppress
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from fhircare.check import explain, extras, invariants, members, primitives, terminology
from fhircare.check.fhirpath.namespace import NAMESPACE

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import CodeType

    from fhircare.check.path import Path
    from fhircare.check.walk import Checker, Walk
    from fhircare.spec import Definitions

_HERE = os.path.dirname(__file__)  # noqa: PTH120 - pathlib would cost a tenth of the start-up
# What generated code is made from: our modules, and the profiles that come with us.
_MADE_FROM = tuple(
    os.path.join(_HERE, *one)  # noqa: PTH118 - see above
    for one in (
        (), ("fhirpath",), ("profiles",), ("..", "profiles"),
        ("..", "spec", "us_core"), ("..", "spec", "r4_profiles"),
    )
)  # fmt: skip
_MADE_OF = (".py", ".json", ".jsonl")
CHECKERS = "checkers"
_SHIPPED = os.path.join(_HERE, CHECKERS)  # noqa: PTH118 - see above
_KEPT = os.path.join(_HERE, "__pycache__")  # noqa: PTH118 - see above


class Compiler:
    """The compiled checkers of one release.

    Attributes:
        definitions: What they are compiled from.
        namespace: The globals of everything generated.
    """

    def __init__(self, definitions: Definitions) -> None:
        self.definitions = definitions
        self.namespace: dict[str, Any] = {
            **NAMESPACE,
            **{name: made for name, made in vars(primitives).items() if name.startswith("sound_")},
            **{name: vars(module)[name] for module, names in _CALLED.items() for name in names},
            "Decimal": Decimal,
            "UCUM": terminology.UCUM,
            "STANDARD": extras.STANDARD,
            "URI_ITSELF": extras.URI_ITSELF,
            "need": self._need,
        }
        self._ready: dict[str, Checker] = {}
        self._stamp = b""
        shipped = os.path.join(_SHIPPED, definitions.release)  # noqa: PTH118
        self._shipped = shipped if os.path.isdir(shipped) else ""  # noqa: PTH112

    def checker(self, node_id: str) -> Checker:
        """Return the checker of a node, compiled now or before.

        Raises:
            KeyError: For a node the release does not have.
        """
        found = self._ready.get(node_id)
        if found is None:
            self._load(node_id.split(".", maxsplit=1)[0])
            found = self._ready[node_id] = self.namespace[node_id.replace(".", "_")]
        return found

    def keep_all(self) -> None:
        """Write, compile and keep all types and profiles now, so that a first check starts quickly."""
        for name in self.definitions.type_names():
            if name not in self.definitions.primitive_types:
                self._load(name)
        from fhircare.check.profiles.library import profile_sources

        for name, text in profile_sources(self):
            self._keep(name, compile(text, f"<fhircare {self.definitions.release} {name}>", "exec"))

    def source(self, type_name: str) -> str:
        """Return the Python text of a type's checkers.

        Raises:
            KeyError: For a type the release does not have.
        """
        from fhircare.check.write import type_source

        return type_source(self.definitions, type_name)

    def _need(self, *node_ids: str) -> None:
        """Put a stub into the namespace for each checker that is not there yet."""
        for node_id in node_ids:
            self.namespace.setdefault(node_id.replace(".", "_"), self._stub(node_id))

    def _stub(self, node_id: str) -> Checker:
        def stub(o: Any, p: Path, w: Walk) -> Any:
            return self.checker(node_id)(o, p, w)

        return stub

    def _load(self, type_name: str) -> None:
        """Run the code of a type in the namespace: shipped, kept, or compiled now."""
        code = self.kept(type_name, lambda: self.source(type_name))
        exec(code, self.namespace)  # noqa: S102 - our own text, made of the definitions that ship with us

    def kept(self, name: str, write: Callable[[], str]) -> CodeType:
        """Return code from the wheel, code kept before, or else what is written and compiled now.

        Args:
            name: What it is kept under.
            write: Returns its Python text.
        """
        code = self._from_wheel(name) if self._shipped else self._kept(name)
        if code is None:
            code = compile(write(), f"<fhircare {self.definitions.release} {name}>", "exec")
            self._keep(name, code)
        return code

    def _from_wheel(self, type_name: str) -> CodeType | None:
        """Return the code of a type whose text is in the wheel; Python keeps its bytecode."""
        from importlib.machinery import SourceFileLoader

        name = f"{__package__}.{CHECKERS}.{self.definitions.release}.{type_name}"
        file = os.path.join(self._shipped, f"{type_name}.py")  # noqa: PTH118
        with suppress(OSError):
            return SourceFileLoader(name, file).get_code(name)
        return None

    def _file(self, type_name: str) -> str:
        tag = sys.implementation.cache_tag
        return os.path.join(_KEPT, f"{self.definitions.release}-{type_name}.{tag}.pyc")  # noqa: PTH118

    def _kept(self, type_name: str) -> CodeType | None:
        """Return the code kept for a type, None when there is none or it is out of date."""
        try:
            with open(self._file(type_name), "rb") as stream:  # noqa: PTH123 - see above
                raw = stream.read()
        except OSError:
            return None
        if raw[:4] != self._made_from():
            return None
        code: CodeType = marshal.loads(raw[4:])  # noqa: S302 - written by us, where Python keeps its own
        return code

    def _keep(self, type_name: str, code: CodeType) -> None:
        """Keep compiled code, whole or not at all; where that is not possible, go without."""
        if sys.dont_write_bytecode:
            return
        target = self._file(type_name)
        with suppress(OSError):
            os.makedirs(_KEPT, exist_ok=True)  # noqa: PTH103
            beside = f"{target}.{os.getpid()}"
            with open(beside, "wb") as stream:  # noqa: PTH123
                stream.write(self._made_from() + marshal.dumps(code))
            os.replace(beside, target)  # noqa: PTH105

    def _made_from(self) -> bytes:
        """Return a stamp of everything that generated code depends on: our modules and the definitions."""
        if not self._stamp:
            files = [self.definitions.path]
            for folder in _MADE_FROM:
                with suppress(OSError):
                    files += [one.path for one in os.scandir(folder) if one.name.endswith(_MADE_OF)]
            stamp = 0
            for file in sorted(files):
                with suppress(OSError):
                    found = os.stat(file)  # noqa: PTH116
                    stamp = crc32(f"{file} {found.st_mtime_ns} {found.st_size}".encode(), stamp)
            self._stamp = stamp.to_bytes(4, "little")
        return self._stamp


# What generated code calls by name.
_CALLED: dict[Any, tuple[str, ...]] = {
    explain: ("not_object", "not_list", "bad", "bad_list", "missing", "of_type"),
    members: ("Members", "Variant", "choose", "rest"),
    terminology: ("Bound", "good_codes", "may_be", "concept", "coding", "codeable"),
    invariants: ("UNDECIDABLE", "broken", "undecided"),
    extras: ("good_codings", "good_units", *(function for _, function in extras.EXTRAS.values())),
}
