"""Emptying the outbox: take a parcel, send it, note what became of it; some at a time, never two of one plan.

What stops a parcel and what only delays it: a server that is away, slow or asks us to wait delays all that is
meant for it; so does one that does not let us in, or that is no FHIR server today. A server that refuses this
one plan, or holds changes of others that ours would overwrite, has it set aside for a person to look at.
"""

from __future__ import annotations

import hashlib
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from fhircare.errors import (
    FhircareError,
    InputError,
    ServerRefused,
    ServerUnavailable,
    place_in_code,
)
from fhircare.exchange import wire
from fhircare.exchange.client import FhirServer
from fhircare.exchange.entries import entries, series
from fhircare.exchange.outbox import LeaseLostError, Outbox
from fhircare.exchange.sender import Options, send

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.exchange.parcel import Parcel
    from fhircare.exchange.report import SendReport


@dataclass(frozen=True, slots=True)
class Pushed:
    """What became of one parcel."""

    parcel: Parcel
    """As it stands now."""
    report: SendReport | None = None
    """When it arrived."""

    def as_data(self) -> dict[str, Any]:
        """Return it as JSON data."""
        return self.parcel.as_data() | ({"report": self.report.as_data()} if self.report else {})

    def as_text(self) -> str:
        """Return it as lines to read."""
        return self.report.as_text() if self.report else self.parcel.as_text()


@dataclass
class Pusher:
    """One process that empties an outbox."""

    path: str
    """The outbox's file; each thread opens it for itself."""
    server: Callable[[str], FhirServer]
    """Connects to a destination by name; called once per thread and destination."""
    options: Callable[[str], Options]
    """How plans are sent to a destination."""
    holder: str
    """A name no other process has."""
    now: Callable[[], float]
    sleep: Callable[[float], None]
    chance: Callable[[], float]
    progress: Callable[[int], None] = lambda _done: None
    """Called with the number of parcels seen to."""
    _resting: set[str] = field(default_factory=set)
    _alone: dict[str, threading.Lock] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _done: list[Pushed] = field(default_factory=list)

    def run(self, *, only: frozenset[int] | None = None, workers: int = 1) -> list[Pushed]:
        """Send what is due, ``workers`` parcels at a time; return what became of each, in their order."""
        if workers <= 1:
            self._work(only)
        else:
            with ThreadPoolExecutor(workers) as pool:
                for done in [pool.submit(self._work, only) for _ in range(workers)]:
                    done.result()
        return sorted(self._done, key=lambda pushed: pushed.parcel.id)

    def _work(self, only: frozenset[int] | None) -> None:
        outbox, servers = Outbox(self.path), dict[str, FhirServer]()
        try:
            while parcel := outbox.claim(
                self.holder, now=self.now(), only=only, skip=frozenset(self._resting)
            ):
                report = self._one(outbox, servers, parcel)
                with self._lock:
                    self._done.append(Pushed(outbox.parcel(parcel.id), report))
                    self.progress(len(self._done))
        finally:
            outbox.close()
            for server in servers.values():
                server.transport.close()

    def _one(self, outbox: Outbox, servers: dict[str, FhirServer], parcel: Parcel) -> SendReport | None:
        try:
            report = self._send(outbox, servers, parcel)
        except LeaseLostError:
            return None
        except ServerUnavailable as error:
            self._later(outbox, parcel, str(error), error.wait)
        except ServerRefused as error:
            if known := servers.get(parcel.destination):
                known.forget()
            if error.status in (401, 403):
                self._later(outbox, parcel, str(error))
            else:
                outbox.set_aside(parcel.id, self.holder, str(error), now=self.now())
        except FhircareError as error:
            outbox.set_aside(parcel.id, self.holder, str(error), now=self.now())
        except Exception as error:  # noqa: BLE001 - one bad parcel must not keep the others
            outbox.set_aside(
                parcel.id,
                self.holder,
                f"a fault of fhircare ({place_in_code(error)}); please report this line",
                now=self.now(),
            )
        except BaseException:
            outbox.later(parcel.id, self.holder, "stopped", now=self.now(), wait=0, chance=0, counts=False)
            raise
        else:
            outbox.arrived(parcel.id, self.holder, now=self.now(), note=_told(report))
            return report
        return None

    def _send(self, outbox: Outbox, servers: dict[str, FhirServer], parcel: Parcel) -> SendReport:
        try:
            server = servers.get(parcel.destination) or self.server(parcel.destination)
            servers[parcel.destination] = server
            _ = server.capabilities
        except (ServerRefused, InputError) as error:
            raise ServerUnavailable(str(error)) from None  # no fault of this parcel's
        with self._lock:
            alone = self._alone.setdefault(parcel.destination, threading.Lock())
        options = replace(self.options(parcel.destination), pdf=parcel.pdf)
        return send(
            server,
            wire.loads(parcel.body or b""),
            destination=parcel.destination,
            options=options,
            memory=outbox.memory(parcel.destination),
            alive=lambda: outbox.renew(parcel.id, self.holder, now=self.now()),
            rest=lambda turn: self.sleep((0.5 + self.chance()) * 2.0**turn),
            alone=alone,
        )

    def _later(self, outbox: Outbox, parcel: Parcel, reason: str, wait: float | None = None) -> None:
        self._resting.add(parcel.destination)
        outbox.later(parcel.id, self.holder, reason, now=self.now(), wait=wait, chance=self.chance())


def queue(outbox: Outbox, destination: str, body: bytes, *, now: float, pdf: bytes | None = None) -> Parcel:
    """Put a bundle into the outbox for a destination.

    Raises:
        BundleError: When it is nothing that can be sent.
    """
    bundle = wire.loads(body)
    entries(bundle)
    digest = hashlib.sha256(body).hexdigest()
    return outbox.put(destination, series(bundle) or digest, digest, body, now=now, pdf=pdf)


def _told(report: SendReport) -> str:
    counts = ", ".join(f"{number} {name}" for name, number in sorted(report.counts.items()))
    return f"{report.way}: {counts}" + ("" if report.verified else "; not all as sent")
