"""The server's certificate: one that is wrong in one thing. Layer: stand-in.

As whoever renews certificates puts another into a server that runs: handshakes from then on show it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend
from emulators.common.server_tls import load_pair

if TYPE_CHECKING:
    from emulators.management.main import ManagementContext


def offer(bench: ManagementContext) -> dict[str, Impair]:
    tls = bench.seed["settings"]["tls"]

    def show_certificate(which: str) -> Mend:
        """Show one of the seed's spare certificates. Raises: KeyError."""
        load_pair(bench.tls, **tls["spares"][which])
        return lambda: load_pair(bench.tls, tls["certificate_pem"], tls["key_pem"])

    return {"show_certificate": show_certificate}
