"""The gateway gone: no answer to anything, no word to its peers; or off and on again. Layer: stand-in, I/O (nft)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from emulators.common.impair import Impair, Mend
from emulators.common.outage import render_cut
from emulators.common.supervise import run
from emulators.hq.tunnel import INET

if TYPE_CHECKING:
    from emulators.hq.gateway import GatewayContext


def offer(context: GatewayContext) -> dict[str, Impair]:
    def fall_silent() -> Mend:
        """As a gateway that lost its power, and with it nothing that it will not have again."""
        cut()
        return mend_cut

    def restart(way: Literal["orderly", "abrupt"]) -> Mend:
        """Be off. ``orderly``: shut down, peers get a DELETE; ``abrupt``: power lost, SAs forgotten without a word."""
        if way == "abrupt":
            cut()  # before the process is gone: a host that is up would answer "port unreachable" for it
            context.responder.stop(orderly=False)
        else:
            context.responder.stop(orderly=True)
            cut()

        def start() -> None:
            context.responder.start()
            mend_cut()

        return start

    return {"fall_silent": fall_silent, "restart": restart}


def cut() -> None:
    """Let nothing in or out of the link to the internet. Raises: DaemonError."""
    run(["nft", "-f", "-"], text=render_cut(INET))


def mend_cut() -> None:
    """Undo `cut`."""
    run(["nft", "delete", "table", "inet", f"outage_{INET}"])
