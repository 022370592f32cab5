"""The sources of US Core 9.0.0, fetched with git into ``build/conformance``: an oracle for what we say of it.

``python -m tests.conformance --prepare`` fetches them. Nothing of them is kept in the project.
"""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from fhircare.spec.packages import load_package

from .oracles import BUILD

if TYPE_CHECKING:
    from fhircare.spec.packages import Package

REPOSITORY = "https://github.com/HL7/US-Core.git"
COMMIT = "85bf4af6eec4beed9f2bb0ac317964fc029e1970"
PACKAGE = BUILD / "us-core-next" / "9.0.0.tgz"
_SCRIPT = Path(__file__).parents[1] / "data" / "hl7" / "us-core" / "package.py"


def absent() -> str:
    """Return why they are not at hand, "" when they are."""
    return (
        ""
        if PACKAGE.exists()
        else "US Core 9.0.0: sources not fetched (python -m tests.conformance --prepare)"
    )


@cache
def sources() -> Package:
    """Return their definitions, as a package."""
    return load_package(PACKAGE)


def prepare() -> None:
    """Fetch one commit and pack its definitions and some of its examples.

    Raises:
        subprocess.CalledProcessError: When git cannot fetch it.
    """
    clone = BUILD / "us-core-next" / "clone"
    if not shutil.which("git") or PACKAGE.exists():
        return
    clone.mkdir(parents=True, exist_ok=True)
    for words in (
        ("init", "-q"),
        ("fetch", "-q", "--depth", "1", REPOSITORY, COMMIT),
        (
            "checkout",
            "-q",
            "FETCH_HEAD",
            "--",
            "publication-request.json",
            "input/resources",
            "input/examples",
        ),
    ):
        subprocess.run(["git", "-C", str(clone), *words], check=True)
    pack(clone)


def pack(clone: Path) -> None:
    """Write the package of a clone."""
    spec = importlib.util.spec_from_file_location("package", _SCRIPT)
    if spec is None or spec.loader is None:
        raise FileNotFoundError(_SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    PACKAGE.parent.mkdir(parents=True, exist_ok=True)
    module.main(clone, PACKAGE.parent)
