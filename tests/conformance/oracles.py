"""Two other validators, run over many files at once: HL7's reference validator and an independent third.

HL7's (``org.hl7.fhir.validation``, definitions of R4 and R5 from the class path) is in Java, by the authors
of the standard; the third (``@medplum/core``) is in JavaScript and shares no code with it, nor with ours.
The ordinary clients fetch both into ``build/conformance``: ``python -m tests.conformance --prepare``.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

HERE = Path(__file__).parent
BUILD = HERE.parents[1] / "build" / "conformance"


@dataclass(frozen=True, slots=True)
class Told:
    """One finding of an oracle."""

    severity: str
    expression: str
    rule: str
    message: str


@dataclass(frozen=True, slots=True)
class Oracle:
    """One validator: how it is fetched and how it is run.

    Attributes:
        name: ``reference`` or ``third``.
        tools: Commands it needs.
        made: What is there once it has been fetched.
    """

    name: str
    tools: tuple[str, ...]
    made: Path

    def absent(self) -> str:
        """Return why it cannot be run here, "" when it can."""
        for tool in self.tools:
            if shutil.which(tool) is None:
                return f"{self.name} validator: no {tool} on this machine"
        if not self.made.exists():
            return f"{self.name} validator: not fetched (python -m tests.conformance --prepare)"
        return ""

    def prepare(self) -> None:
        """Fetch and build it, with the ordinary clients."""
        if self.name == "reference":
            pom = HERE / "reference" / "pom.xml"
            subprocess.run(["mvn", "-q", "-B", "-f", str(pom), "package"], check=True)
        else:
            self.made.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(HERE / "medplum" / "package.json", self.made.parent)
            npm = ["npm", "install", "--no-package-lock", "--no-audit", "--no-fund", "--silent"]
            subprocess.run(npm, cwd=self.made.parent, check=True)

    def judge(
        self, files: Sequence[Path], release: str = "R4", packages: Sequence[Path] = ()
    ) -> dict[Path, list[Told]]:
        """Return the findings of each file, in one run over all of them.

        Args:
            files: The files.
            release: The release they are of.
            packages: For the reference validator: packages that it finds profiles in.
        """
        command = ["node", str(HERE / "medplum" / "validate.mjs")]
        if self.name == "reference":
            jars = f"{self.made}{os.pathsep}{self.made.parent / 'lib'}/*"
            java = ["java", f"-Dfhir.release={release}", "-Xmx3g", "-Xss8m", "-cp", jars]
            command = [*java, "Reference", *map(str, packages)]
        run = subprocess.run(
            command,
            input="".join(f"{file}\n" for file in files).encode(),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "PEER_MODULES": str(self.made)},
            check=True,
        )
        answers = [json.loads(line) for line in run.stdout.splitlines()]
        return {
            Path(answer["file"]): [
                Told(i["severity"], i.get("expression") or "", i.get("rule") or "", i.get("message") or "")
                for i in answer["issues"]
            ]
            for answer in answers
        }


REFERENCE = Oracle("reference", ("mvn", "java"), BUILD / "reference" / "reference-1.jar")
THIRD = Oracle("third", ("npm", "node"), BUILD / "medplum" / "node_modules")
ORACLES = (REFERENCE, THIRD)
