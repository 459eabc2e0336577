"""The gateway gone: no answer to anything, no word to its peers. Layer: stand-in, I/O (nft)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend
from emulators.common.outage import render_cut
from emulators.common.supervise import run
from emulators.hq.tunnel import INET

if TYPE_CHECKING:
    from emulators.hq.gateway import GatewayContext


def offer(_: GatewayContext) -> dict[str, Impair]:
    def fall_silent() -> Mend:
        """As a gateway that lost its power."""
        run(["nft", "-f", "-"], text=render_cut(INET))
        return lambda: run(["nft", "delete", "table", "inet", f"outage_{INET}"])

    return {"fall_silent": fall_silent}
