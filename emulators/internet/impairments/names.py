"""A name that the name servers do not know, or know no address for. Layer: stand-in.

dnsmasq is told its names on its command line, so it is started anew with others (its keeper does that).
"""

from __future__ import annotations

import signal
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend

if TYPE_CHECKING:
    from emulators.internet.main import InternetContext

OTHER_FAMILY = "2001:db8::20"  # RFC 3849: an IPv6 address, so that there is the name, but no IPv4 address for it
RECORD = "--host-record="


def take_name(argv: Sequence[str], name: str, answer: str) -> tuple[str, ...]:
    """Return dnsmasq's command line without a name (`answer`: ``no_such_name``), or with no IPv4 address for it
    (``no_address``). Raises: KeyError where the name is not there."""
    kept = tuple(argument for argument in argv if not argument.startswith(f"{RECORD}{name},"))
    if len(kept) == len(argv):
        raise KeyError(name)
    return (*kept, f"{RECORD}{name},{OTHER_FAMILY}") if answer == "no_address" else kept


def offer(bench: InternetContext) -> dict[str, Impair]:
    keeper = bench.names

    def lose_name(name: str, answer: str) -> Mend:
        """Know a name no more."""
        whole = keeper.daemon

        def put(argv: tuple[str, ...]) -> None:
            keeper.daemon = replace(whole, argv=argv)
            keeper.signal(signal.SIGTERM)

        put(take_name(whole.argv, name, answer))
        return lambda: put(whole.argv)

    return {"lose_name": lose_name}
