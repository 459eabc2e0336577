"""The cell is on the air, and behind it is nothing: bearers stand and carry nothing. Layer: stand-in, I/O (nft)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend
from emulators.common.outage import render_cut
from emulators.common.supervise import run

if TYPE_CHECKING:
    from emulators.carrier.main import CarrierProcess

LINK = "inet"


def offer(_: CarrierProcess) -> dict[str, Impair]:
    def lose_backhaul() -> Mend:
        """As with a mast on its batteries, whose line to the core is dead."""
        run(["nft", "-f", "-"], text=render_cut(LINK))
        return lambda: run(["nft", "delete", "table", "inet", f"outage_{LINK}"])

    return {"lose_backhaul": lose_backhaul}
