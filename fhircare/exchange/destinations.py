"""Where plans go: the destinations file, by name.

    [destination.hospital]
    base = "https://fhir.hospital.example/r4"
    auth = "smart"                      # smart, bearer, or none (this machine only)
    client_id = "limb-clinic"
    key_file = "/etc/fhircare/hospital.jwk"

The file holds no secret: it names the files that do.
"""

from __future__ import annotations

import dataclasses
import tomllib
from dataclasses import dataclass
from typing import Any, Literal, get_args

from fhircare.errors import Fault, InputError
from fhircare.exchange.auth import Bearer, NoAuth, SmartBackend, bearer, signing_key
from fhircare.exchange.http import Auth, Bounds, Transport
from fhircare.exchange.keeping import read_secret
from fhircare.exchange.origin import base_url, is_loopback

AuthKind = Literal["none", "bearer", "smart"]
Mode = Literal["auto", "transaction", "single", "document"]

SCOPES = " ".join(
    f"system/{kind}.{rights}"
    for kind, rights in (
        ("Appointment", "crus"), ("CarePlan", "crus"), ("CareTeam", "crus"), ("Condition", "crus"),
        ("DetectedIssue", "crus"), ("Device", "crus"), ("DeviceRequest", "rs"),
        ("DeviceUseStatement", "crus"), ("DocumentReference", "crs"), ("Flag", "crus"), ("Goal", "crus"),
        ("HealthcareService", "crs"), ("Observation", "crus"), ("Organization", "crs"), ("Patient", "crs"),
        ("Practitioner", "crs"), ("PractitionerRole", "crs"), ("Provenance", "crs"),
        ("Questionnaire", "crus"), ("RelatedPerson", "crs"), ("ServiceRequest", "crus"), ("Task", "rus"),
    )
)  # fmt: skip
"""The least that exchanging plans needs, as SMART v2 scopes (c create, r read, u update, s search)."""


@dataclass(frozen=True, slots=True)
class Destination:
    """A FHIR server we may talk to."""

    name: str
    """Name in the file; the address itself when only that was given."""
    base: str
    """FHIR base address, without its closing slash."""
    auth: AuthKind = "none"
    """How we prove who we are."""
    client_id: str = ""
    """For smart: the id the server gave us."""
    key_file: str = ""
    """For smart: the file with the private key."""
    key_id: str = ""
    """For smart: which key of the file."""
    token_url: str = ""
    """For smart: the token endpoint, when it is on another host than the base."""
    scopes: str = SCOPES
    """For smart: what to ask for."""
    token_file: str = ""
    """For bearer: the file with the token."""
    ca_file: str = ""
    """Certificates of the authority that signed the server's, when it is not a public one."""
    mode: Mode = "auto"
    """How plans are sent; auto chooses from what the server says it can do."""
    entries_at_once: int = 50
    """Most entries in one transaction."""
    conditional_at_once: int = 8
    """Most entries in one transaction with conditional creates."""
    timeout_seconds: int = 30
    """Longest silence in an answer."""

    def __post_init__(self) -> None:
        faults = list(_faults(self))
        if faults:
            raise InputError(faults)


def read_destinations(text: str) -> dict[str, Destination]:
    """Return the destinations in a file's text, by name.

    Raises:
        InputError: With every fault found, named as destination.NAME.FIELD.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(Fault("", f"is not TOML: {_place(str(error))}", "mend the text there")) from None
    tables = data.get("destination", {})
    faults = [
        Fault(key, "is not known here", "only [destination.NAME]") for key in data if key != "destination"
    ]
    found: dict[str, Destination] = {}
    for name, table in tables.items() if isinstance(tables, dict) else ():
        try:
            found[name] = _destination(name, table)
        except InputError as error:
            faults += [f._replace(field=f"destination.{name}.{f.field}") for f in error.faults]
    if faults:
        raise InputError(faults)
    return found


def choose(name: str, known: dict[str, Destination]) -> Destination:
    """Return the destination of a name, or one made of a bare address.

    Raises:
        InputError: When the name is not known, or the address is not this machine (it needs a name then,
            because only the file says how to prove who we are).
    """
    if name in known:
        return known[name]
    if "://" not in name:
        listed = ", ".join(sorted(known)) or "none yet"
        raise InputError(
            Fault("", "is no destination known", f"known: {listed}; see `fhircare send --help`"), file=name
        )
    same = [d for d in known.values() if d.base == name.rstrip("/")]
    base = base_url(name, "--to")
    if not same and not is_loopback(base):
        mend = "add it to the destinations file, with auth; see `fhircare send --help`"
        raise InputError(Fault("--to", "is an address that says not how to prove who we are", mend))
    return same[0] if same else Destination(name=name.rstrip("/"), base=base)


def connect(destination: Destination) -> Transport:
    """Return a transport to a destination; its secrets are read now.

    Raises:
        InputError: When a secret file cannot be used.
    """
    bounds = Bounds(silence=float(destination.timeout_seconds))
    auth = authorise(destination, bounds)
    return Transport(destination.base, auth, bounds=bounds, ca_file=destination.ca_file)


def authorise(destination: Destination, bounds: Bounds) -> Auth:
    """Return what authorises requests to a destination."""
    if destination.auth == "smart":
        secret = read_secret(destination.key_file)
        return SmartBackend(
            destination.base,
            destination.client_id,
            signing_key(secret, destination.key_file, destination.key_id),
            destination.scopes,
            token_url=destination.token_url,
            connect=lambda base: Transport(base, NoAuth(), bounds=bounds, ca_file=destination.ca_file),
        )
    if destination.auth == "bearer":
        token: Bearer = bearer(read_secret(destination.token_file), destination.token_file)
        return token
    return NoAuth()


def _destination(name: str, table: Any) -> Destination:
    if not isinstance(table, dict):
        raise InputError(Fault("", "is not a table", "write [destination.NAME] and the fields below it"))
    kinds = {f.name: int if f.type == "int" else str for f in dataclasses.fields(Destination)}
    faults = []
    for key, value in table.items():
        if key not in kinds or key == "name":
            faults.append(Fault(key, "is not a known field", "known are " + ", ".join(list(kinds)[1:])))
        elif type(value) is not kinds[key]:
            faults.append(
                Fault(key, "is of the wrong kind", f"give {'a number' if kinds[key] is int else 'text'}")
            )
    if "base" not in table:
        faults.append(Fault("base", "is missing", "give the FHIR base address"))
    if faults:
        raise InputError(faults)
    return Destination(name=name, **{**table, "base": table["base"].rstrip("/")})


def _faults(destination: Destination) -> list[Fault]:
    faults: list[Fault] = []
    for field in ("base", "token_url"):
        try:
            if field == "base" or destination.token_url:
                base_url(getattr(destination, field), field)
        except InputError as error:
            faults += error.faults
    for field, allowed in (("auth", AuthKind), ("mode", Mode)):
        if getattr(destination, field) not in get_args(allowed):
            faults.append(
                Fault(field, "is not one of the values allowed", "one of " + ", ".join(get_args(allowed)))
            )
    needs = {"smart": ("client_id", "key_file"), "bearer": ("token_file",)}.get(destination.auth, ())
    faults += [
        Fault(f, "is missing", f"auth = {destination.auth} needs it")
        for f in needs
        if not getattr(destination, f)
    ]
    if destination.auth == "none" and not faults and not is_loopback(destination.base):
        faults.append(Fault("auth", "is missing", "smart or bearer; none is for a server on this machine"))
    for field in ("entries_at_once", "conditional_at_once", "timeout_seconds"):
        if getattr(destination, field) < 1:
            faults.append(Fault(field, "is below 1", "give a number above 0"))
    return faults


def _place(text: str) -> str:
    """Keep of a TOML error only where it is: the rest may repeat what stands there."""
    found = text.rpartition("(at ")[2].rstrip(")")
    return found if found.startswith(("line", "end")) else "somewhere"
