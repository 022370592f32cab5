"""Where the exchange keeps its things: the destinations file, the outbox, what servers said they can do."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from fhircare.cli.reading import naming
from fhircare.errors import FhircareError
from fhircare.files import make_folder, read_text, remove, write_whole

if TYPE_CHECKING:
    import argparse

    from fhircare.exchange import Destination, FhirServer, Statement

_MOST = 1_000_000


def destination_words(parser: argparse.ArgumentParser) -> None:
    """Add the option that names the destinations file."""
    parser.add_argument(
        "--destinations",
        metavar="FILE.toml",
        help="servers by name (usual: destinations.toml in your configuration folder)",
    )


def outbox_words(parser: argparse.ArgumentParser) -> None:
    """Add the option that names the outbox."""
    parser.add_argument(
        "--outbox", metavar="FILE", help="the outbox (usual: outbox.sqlite3 in your data folder)"
    )


def destinations(args: argparse.Namespace) -> dict[str, Destination]:
    """Return the destinations known by name; none when the usual file is not there."""
    from fhircare.exchange import read_destinations

    file = args.destinations
    if not file:
        from platformdirs import user_config_dir

        file = str(Path(user_config_dir("fhircare")) / "destinations.toml")
        if not Path(file).exists():
            return {}
    text = read_text(file, most=_MOST)
    with naming(file):
        return read_destinations(text)


def outbox_file(args: argparse.Namespace) -> str:
    """Return the outbox's file, in a folder that exists."""
    if args.outbox:
        return str(args.outbox)
    from platformdirs import user_data_dir

    folder = user_data_dir("fhircare")
    make_folder(folder)
    return str(Path(folder) / "outbox.sqlite3")


def server(name: str, args: argparse.Namespace) -> FhirServer:
    """Return a server by its destination's name or address."""
    from fhircare.exchange import FhirServer, choose, connect

    return FhirServer(connect(choose(name, destinations(args))), statements=statements())


def statements() -> KeptStatements:
    """Return what servers said they can do, kept in the user's cache folder."""
    from platformdirs import user_cache_dir

    return KeptStatements(str(Path(user_cache_dir("fhircare")) / "servers"))


class KeptStatements:
    """What servers said, a file each; one that cannot be read or written is done without."""

    def __init__(self, folder: str) -> None:
        self._folder = folder

    def recall(self, base: str) -> Statement | None:
        """Return what a server said last."""
        from fhircare.exchange import Statement

        try:
            told = json.loads(read_text(self._file(base), most=_MOST))
            return Statement(**told["statement"]) if told["base"] == base else None
        except (FhircareError, ValueError, KeyError, TypeError):
            return None

    def keep(self, base: str, statement: Statement) -> None:
        """Keep what a server said."""
        told = {"base": base, "statement": dataclasses.asdict(statement)}
        with suppress(FhircareError):
            make_folder(self._folder)
            write_whole(self._file(base), json.dumps(told).encode())

    def forget(self, base: str) -> None:
        """Forget what a server said."""
        with suppress(FhircareError):
            remove(self._file(base))

    def _file(self, base: str) -> str:
        return str(Path(self._folder) / f"{hashlib.sha256(base.encode()).hexdigest()[:32]}.json")
