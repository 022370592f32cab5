"""Puts the written checkers of every type into the wheel, so that an installed fhircare starts quickly.

See ``fhircare.check.compile``. An editable install has none: there they are written when first needed.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class CheckersHook(BuildHookInterface):
    """Hatchling's hook for the wheel."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Write the checkers of each release, and include them."""
        if version == "editable":
            return
        sys.path.insert(0, self.root)
        from fhircare.check.compile import CHECKERS, Compiler
        from fhircare.check.profiles.library import profile_sources
        from fhircare.check.write import type_source
        from fhircare.spec import RELEASES, definitions

        folder = self._folder()
        for release in RELEASES:
            held = definitions(release)
            into = folder / release
            into.mkdir(parents=True)
            for name in held.type_names():
                if name not in held.primitive_types:
                    (into / f"{name}.py").write_text(type_source(held, name), encoding="utf-8")
            for name, text in profile_sources(Compiler(held)):
                (into / f"{name}.py").write_text(text, encoding="utf-8")
        build_data["force_include"][str(folder)] = f"fhircare/check/{CHECKERS}"

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:  # noqa: ARG002
        """Take away what was only for the wheel."""
        shutil.rmtree(self._folder(), ignore_errors=True)

    def _folder(self) -> Path:
        return Path(self.root) / "build" / "checkers"
