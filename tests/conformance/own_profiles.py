"""Ask HL7's reference validator about our own profiles: ``python -m tests.conformance.own_profiles``.

It loads ``fhircare/profiles`` as a package and judges ``tests/data/profiles``: each resource that keeps its
profile must be free of errors, each that breaks it must have one. What it does not look at is named here.
"""

from __future__ import annotations

import sys
import tarfile
import tempfile
from pathlib import Path

from .oracles import REFERENCE

ROOT = Path(__file__).parents[2]
PROFILES = ROOT / "fhircare" / "profiles"
CASES = ROOT / "tests" / "data" / "profiles"
UNSEEN = {"prosthetic-delivery-plan/fails-group"}
"""A reference that leads nowhere: it does not look at the type that its address names, and we do."""


def package(folder: Path) -> Path:
    """Write our profiles as a package into a folder, as packages are published; return the file."""
    made = folder / "fhircare.profiles.tgz"
    with tarfile.open(made, "w:gz") as archive:
        for path in sorted(PROFILES.glob("*.json")):
            archive.add(path, f"package/{path.name}")
    return made


def disagreements() -> list[str]:
    """Return a line for each resource on which the reference validator and we disagree."""
    files = sorted(CASES.rglob("*.json"))
    with tempfile.TemporaryDirectory() as folder:
        judged = REFERENCE.judge(files, packages=[package(Path(folder))])
    found = []
    for path, told in judged.items():
        name = f"{path.parent.name}/{path.stem}"
        errors = [one for one in told if one.severity in {"error", "fatal"}]
        wanted = path.stem.startswith("fails") and name not in UNSEEN
        if bool(errors) is not wanted:
            found.append(f"{name}: {'; '.join(one.message for one in errors) or 'no error'}")
    return found if judged else ["nothing was judged"]


def main() -> int:
    """Print what they disagree on; 1 when there is anything, or it cannot be run."""
    if REFERENCE.absent():
        sys.stdout.write(f"{REFERENCE.absent()}\n")
        return 1
    found = disagreements()
    sys.stdout.write(
        "\n".join(found) + "\n" if found else "the reference validator agrees on every resource\n"
    )
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main())
