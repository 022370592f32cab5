"""The command line: words in, words out. Each verb is a module of its own, imported when it is called."""

from __future__ import annotations

import argparse
import errno
import gc
import importlib
import os
import sys
from typing import TYPE_CHECKING

from fhircare.errors import FhircareError, place_in_code

if TYPE_CHECKING:
    from collections.abc import Sequence

VERBS = {
    "plan": "Turn a delivery record into a plan, as one FHIR bundle.",
    "convert": "Turn a bundle of FHIR R4 into R5, or back, and say what was kept how.",
    "check": "Say whether bundles conform to the FHIR specification, and are safe to hand out.",
    "render": "Write the instructions a person reads, from the bundle alone.",
    "calendar": "Write wear sessions, skin checks and visits as a calendar file.",
    "send": "Send plans to a FHIR server, so that sending again changes nothing.",
    "outbox": "Show what waits to be sent, send what is due, take up what was set aside.",
    "order": "Begin a delivery record from a physician's order, and close the loop.",
    "goals": "Take a therapist's goals over, and give the plan's goals with their progress.",
    "log": "Write down what happened on a day.",
    "review": "Decide what the log means for the next day, and revise the plan.",
    "approve": "Approve a plan, for the clinician who answers for it.",
    "progress": "Draw planned against worn hours, skin, ply and goals.",
    "bulk": "Plan, check or render many at once, and go on after a kill.",
    "schema": "Print the delivery record's JSON Schema.",
    "demo": "Run the main job on the example records.",
}
"""Every verb and what it is for, in the order people meet them."""

_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
"""What the system says of a full disk: an output that was named is told by ``fhircare.files``."""
_CAUTION = (
    "fhircare proposes; a licensed clinician decides. It does not replace the prosthetist, the physician or\n"
    "local rules."
)


class _Help(argparse.RawDescriptionHelpFormatter):
    """Help as wide as the terminal.

    argparse makes one for every argument that is added, and would import shutil with its compressors to learn
    the width.
    """

    def __init__(self, prog: str) -> None:
        super().__init__(prog, width=_columns() - 2)


def _columns() -> int:
    """Return the terminal's width as shutil does: what COLUMNS says, else what the terminal says, else 80."""
    said = os.environ.get("COLUMNS", "")
    if said.isdecimal() and int(said):
        return int(said)
    try:
        return os.get_terminal_size(sys.__stdout__.fileno()).columns or 80  # type: ignore[union-attr]
    except (AttributeError, ValueError, OSError):
        return 80


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code.

    0 done and nothing found; 1 findings; 2 an input or the usage is wrong; 3 a FHIR server could not be used.
    """
    if argv is None:
        # A process of our own: next to nothing is circular, so looking for it seldom saves a tenth of a run.
        gc.set_threshold(200_000, 20, 20)
    words = list(sys.argv[1:] if argv is None else argv)
    _speak()
    try:
        return _run(words)
    except FhircareError as error:
        _say(str(error))
        return error.exit_code
    except KeyboardInterrupt:
        _say("stopped; nothing half-written was left behind")
        return 130
    except BrokenPipeError:
        _close_output()  # its reader has gone
        return 0
    except OSError as error:
        if error.errno not in _FULL:
            return _ours(error)
        _close_output()
        _say("standard output: no space left on the device — write to another place")
        return 2
    except Exception as error:  # noqa: BLE001 - whatever it is, nobody is shown what is in their file
        return _ours(error)


def _speak() -> None:
    """Let no letter stop us: into files and pipes goes UTF-8, as FHIR is; a terminal shows what it can."""
    for stream in (sys.stdout, sys.stderr):
        spoken = getattr(stream, "encoding", None) or "utf-8"
        if spoken.lower() == "utf-8" or not hasattr(stream, "reconfigure"):
            continue
        as_told = stream.isatty() or "PYTHONIOENCODING" in os.environ
        stream.reconfigure(**({"errors": "replace"} if as_told else {"encoding": "utf-8"}))


def _ours(error: Exception) -> int:
    """Say that we are at fault, without what may be in the file."""
    if os.environ.get("FHIRCARE_DEBUG"):
        raise error
    _say(
        f"this is a fault of fhircare ({place_in_code(error)}); please report this line. "
        "FHIRCARE_DEBUG=1 shows more, and may show what is in the file"
    )
    return 2


def _close_output() -> None:
    """Send nowhere what is left to print: Python would complain again while closing it."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _run(words: list[str]) -> int:
    if words and words[0] in VERBS:
        verb = importlib.import_module(f"fhircare.cli.{words[0]}")
        parser = argparse.ArgumentParser(
            prog=f"fhircare {words[0]}",
            description=verb.__doc__,
            epilog=_CAUTION,
            formatter_class=_Help,
        )
        verb.arguments(parser)
        return int(verb.run(parser.parse_args(words[1:])))
    return _top(words)


def _top(words: list[str]) -> int:
    import difflib

    from fhircare import __version__

    parser = argparse.ArgumentParser(
        prog="fhircare",
        usage="fhircare VERB ...",
        description="One FHIR bundle, the single source of a plan after fitting an above-knee prosthesis.\n\n"
        + "\n".join(f"  {name:<10} {what}" for name, what in VERBS.items())
        + "\n\n`fhircare VERB --help` says how each is used.",
        epilog=_CAUTION,
        formatter_class=_Help,
    )
    parser.add_argument("--version", action="version", version=f"fhircare {__version__}")
    if not words:
        parser.print_help()
        return 0
    parser.parse_known_args(words)
    near = difflib.get_close_matches(words[0], VERBS, n=1)
    return parser.error(f"unknown verb {words[0]!r}" + (f"; did you mean {near[0]}?" if near else ""))


def _say(text: str) -> None:
    sys.stderr.write("".join(f"fhircare: {line}\n" for line in text.splitlines()))
