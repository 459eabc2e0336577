"""A name is given another address by whoever is in charge of it. Layer: stand-in.

The name server is started anew with the new zone, as where a name is lost (names.py). Resolvers that know the old
address go by it until its time to live is over (RFC 1035 section 3.2.1).
"""

from __future__ import annotations

import signal
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend

if TYPE_CHECKING:
    from emulators.internet.main import InternetContext


def offer(context: InternetContext) -> dict[str, Impair]:
    keeper = context.names

    def move_name(name: str, address: str) -> Mend:
        """Have a name lead to another address."""
        whole = keeper.daemon

        def put(argv: tuple[str, ...]) -> None:
            keeper.daemon = replace(whole, argv=argv)
            keeper.signal(signal.SIGTERM)

        put(move(whole.argv, name, address))
        return lambda: put(whole.argv)

    return {"move_name": move_name}


def move(argv: Sequence[str], name: str, address: str) -> tuple[str, ...]:
    """Return dnsmasq's command line with another address for a name. Raises: KeyError where it has no such name."""
    head = f"--host-record={name},"
    if not any(word.startswith(head) for word in argv):
        raise KeyError(name)
    return tuple(f"{head}{address}" if word.startswith(head) else word for word in argv)
