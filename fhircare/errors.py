"""Everything that can stop the work, as one tree.

FhircareError                 the root; ``except FhircareError`` catches all of ours
├── InputError                something handed to us cannot be used (file, field, mend)
│   ├── DeliveryError         a delivery record
│   ├── LogError              a patient's log
│   ├── BundleError           a FHIR bundle
│   └── PackageError          a package of FHIR definitions
├── OutputError               something we were to write could not be written
├── UnknownRelease            the FHIR release was not told and cannot be told from the content
├── PlanningError             no plan keeps all the wishes; names the constraint that binds
├── TemplateError             a handout cannot be made, or a caution would be missing from it
└── ExchangeError             talking to a FHIR server
    ├── ServerRefused         fatal: asking again will not help
    │   └── Conflict          what was to be changed has changed meanwhile (409, 412)
    └── ServerUnavailable     temporary: asking again later may help
        └── OutcomeUnclear    the request may or may not have been carried out: look before asking again

A *finding* about a bundle is never an exception: it is an ``Issue`` in a ``Report`` (``fhircare.check``).

No message ever holds a patient's data: it holds places, types and what is allowed.
"""

from __future__ import annotations

from typing import NamedTuple


class Fault(NamedTuple):
    """One thing wrong with an input.

    Attributes:
        field: Where in the input, in the input's own words, such as ``device.components[2].kind``; may be "".
        problem: What is wrong, without the value found.
        mend: What to do about it.
        line: One-based line in the file, 0 when unknown.
    """

    field: str
    problem: str
    mend: str
    line: int = 0

    def __str__(self) -> str:
        place = self.field
        if self.line:
            place = f"{place} (line {self.line})" if place else f"line {self.line}"
        head = f"{place}: " if place else ""
        return f"{head}{self.problem} — {self.mend}"


class FhircareError(Exception):
    """The root of the tree. ``code`` is stable; ``exit_code`` is what the command returns."""

    code = "error"
    exit_code = 2


class InputError(FhircareError):
    """An input that cannot be used. Carries every fault found, not only the first."""

    code = "input"

    def __init__(self, faults: list[Fault] | Fault, *, file: str = "") -> None:
        self.faults = [faults] if isinstance(faults, Fault) else faults
        self.file = file
        super().__init__(str(self))

    def in_file(self, file: str) -> InputError:
        """Return the same error, naming the file it was found in."""
        return type(self)(self.faults, file=file)

    def __str__(self) -> str:
        head = f"{self.file}: " if self.file else ""
        return "\n".join(f"{head}{fault}" for fault in self.faults)


class DeliveryError(InputError):
    """A delivery record that cannot be used."""

    code = "delivery"


class LogError(InputError):
    """A patient's log that cannot be used."""

    code = "log"


class BundleError(InputError):
    """A bundle that cannot be read as the plan it should hold."""

    code = "bundle"


class PackageError(InputError):
    """A package of FHIR definitions (an implementation guide) that cannot be used."""

    code = "package"


class OutputError(FhircareError):
    """A file that could not be written. Nothing half-written is left behind."""

    code = "output"

    def __init__(self, file: str, problem: str, mend: str) -> None:
        self.file, self.problem, self.mend = file, problem, mend
        super().__init__(f"{file}: {problem} — {mend}")


class UnknownRelease(FhircareError):  # noqa: N818 - named for what it says, as the tree above draws it
    """The FHIR release was not told and cannot be told from the content; we never guess."""

    code = "release"


class PlanningError(FhircareError):
    """No plan keeps all the wishes.

    Attributes:
        binding: The constraint that cannot be kept, in the prosthetist's words.
        nearest: What the nearest feasible plan would look like, or "".
    """

    code = "planning"

    def __init__(self, binding: str, nearest: str = "") -> None:
        self.binding, self.nearest = binding, nearest
        super().__init__(f"{binding} — {nearest}" if nearest else binding)


class TemplateError(FhircareError):
    """A handout that cannot be made, or that would lack a caution, a stop rule or a contact."""

    code = "template"


class ExchangeError(FhircareError):
    """A FHIR server could not be talked to."""

    code = "exchange"
    exit_code = 3


class ServerRefused(ExchangeError):  # noqa: N818 - see the tree
    """The server said no; asking again will not help.

    Attributes:
        status: The HTTP status, 0 when it was not the status that refused.
    """

    code = "refused"

    def __init__(self, message: str, *, status: int = 0) -> None:
        self.status = status
        super().__init__(message)


class Conflict(ServerRefused):
    """What was to be changed has been changed by somebody else meanwhile; read it again."""

    code = "conflict"


class ServerUnavailable(ExchangeError):  # noqa: N818 - see the tree
    """The server did not answer, or asked us to wait; asking again later may help.

    Attributes:
        status: The HTTP status, 0 when there was none.
        wait: Seconds the server asked us to wait; None when it did not say.
    """

    code = "unavailable"

    def __init__(self, message: str, *, status: int = 0, wait: float | None = None) -> None:
        self.status, self.wait = status, wait
        super().__init__(message)


class OutcomeUnclear(ServerUnavailable):
    """The request went out and no usable answer came: it may have been carried out. Look first."""

    code = "unclear"


def place_in_code(error: BaseException) -> str:
    """Return the kind and place of a fault of ours, not its message: that might hold a file's content."""
    trace = error.__traceback__
    while trace and trace.tb_next:
        trace = trace.tb_next
    where = f"{trace.tb_frame.f_globals.get('__name__', '?')}:{trace.tb_lineno}" if trace else "?"
    return f"{type(error).__name__} at {where}"
