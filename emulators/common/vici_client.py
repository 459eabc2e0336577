"""Talk with charon over its control socket. Layer: stand-in, I/O (one Unix socket a session).

The protocol is strongSwan's VICI; the client is the project's own `vici` package. Its answers are byte strings: `plain`
turns them into text. One session per thread: a session that listens cannot ask.

Not here: what to load (swanctl.py and the callers).
"""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import vici

from emulators.common.vici_events import plain

SOCKET = Path("/run/charon.vici")
ASK_S = 10.0
"""How long charon may take for an answer; loading takes milliseconds. Protects us only."""


class CharonError(RuntimeError):
    """Charon refused, or is not there."""


class Charon:
    """Asks charon, one session a question."""

    def __init__(self, path: Path = SOCKET) -> None:
        self._path = path

    def is_there(self) -> bool:
        """True when charon answers."""
        try:
            self._ask(lambda session: session.version())
        except CharonError:
            return False
        return True

    def load_connection(self, name: str, connection: Mapping[str, Any]) -> None:
        """Load or replace a connection."""
        self._ask(lambda session: session.load_conn({name: dict(connection)}))

    def unload_connection(self, name: str) -> None:
        """Forget a connection: nobody is let in by it any more. Its SAs stay."""
        self._ask(lambda session: session.unload_conn({"name": name}))

    def load_psk(self, secret: str, owners: tuple[str, ...]) -> None:
        """Load the pre-shared key for the identities; it takes the place of the one loaded before."""
        key = {"id": "/".join(owners), "type": "IKE", "data": secret, "owners": list(owners)}
        self._ask(lambda session: session.load_shared(key))

    def unload_psk(self, owners: tuple[str, ...]) -> None:
        """Forget the pre-shared key for the identities."""
        self._ask(lambda session: session.unload_shared({"id": "/".join(owners)}))

    def load_key(self, pem: str) -> None:
        """Load a private key."""
        self._ask(lambda session: session.load_key({"type": "any", "data": pem}))

    def load_ca(self, pem: str) -> None:
        """Load a certificate of an authority to trust."""
        self._ask(lambda session: session.load_cert({"type": "X509", "flag": "CA", "data": pem}))

    def clear_credentials(self) -> None:
        """Forget every key and certificate that was loaded."""
        self._ask(lambda session: session.clear_creds())

    def initiate(self, child: str, connection: str) -> None:
        """Ask for a child; does not wait for it."""
        self._ask(lambda session: list(session.initiate({"child": child, "ike": connection, "timeout": "-1"})))

    def terminate(self, connection: str) -> None:
        """End the connection's SAs here, without waiting for the other end; none there is no error."""
        try:
            self._ask(
                lambda session: list(session.terminate({"ike": connection, "force": "yes", "timeout": "-1"})),
            )
        except CharonError as error:
            if "no matching" not in str(error):
                raise

    def list_sas(self) -> list[dict[str, Any]]:
        """Return the IKE SAs, each with its name under ``name``."""
        found = self._ask(lambda session: list(session.list_sas()))
        return [{"name": name, **sa} for item in plain(found) for name, sa in item.items()]

    def listen(self, kinds: tuple[str, ...]) -> Iterator[tuple[str, dict[str, Any]]]:
        """Yield events for ever. Raises: CharonError when charon goes away."""
        session, connection = self._open()
        try:
            for kind, message in session.listen(list(kinds)):
                if message is not None:
                    yield plain(kind), plain(message)
        except (OSError, vici.exception.SessionException) as error:
            raise CharonError(f"charon went away: {error}") from error
        finally:
            connection.close()

    def _ask(self, question: Callable[[Any], Any]) -> Any:
        session, connection = self._open(ASK_S)
        try:
            return question(session)
        except (OSError, vici.exception.SessionException, vici.exception.CommandException) as error:
            raise CharonError(f"charon: {error}") from error
        finally:
            connection.close()

    def _open(self, timeout_s: float | None = None) -> tuple[Any, socket.socket]:
        connection = socket.socket(socket.AF_UNIX)
        connection.settimeout(timeout_s)
        try:
            connection.connect(str(self._path))
        except OSError as error:
            connection.close()
            raise CharonError(f"charon does not answer on {self._path}: {error}") from error
        return vici.Session(connection), connection
