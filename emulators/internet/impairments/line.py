"""The fixed line dead beyond its far end: nothing comes or goes. Layer: stand-in, I/O (nft)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend
from emulators.common.outage import render_cut
from emulators.common.supervise import run

if TYPE_CHECKING:
    from emulators.internet.main import InternetContext

LINK = "fixed"


def offer(_: InternetContext) -> dict[str, Impair]:
    def lose_line() -> Mend:
        """As with the provider's cabinet without mains: the cable to it keeps its light."""
        run(["nft", "-f", "-"], text=render_cut(LINK))
        return lambda: run(["nft", "delete", "table", "inet", f"outage_{LINK}"])

    return {"lose_line": lose_line}
