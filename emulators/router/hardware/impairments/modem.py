"""What is wrong with the modem and its antennas. Layer: stand-in. The modem follows these facts (router/modem/)."""

from __future__ import annotations

from emulators.common.impair import Impair, Mend
from emulators.router.hardware.facts import Hardware


def offer(hardware: Hardware) -> dict[str, Impair]:
    def unscrew_antenna(port: float, loss_db: float) -> Mend:
        """What is left of a port without its antenna hears the cell, but worse."""
        hardware.set("antenna_loss", {"port": int(port), "db": float(loss_db)})
        return lambda: hardware.set("antenna_loss", None)

    def hang_modem() -> Mend:
        """The modem answers nobody and moves no packets, until its reset line is pulled or it loses its power."""
        hardware.set("modem_hangs", True)
        return lambda: hardware.set("modem_hangs", None)

    return {"unscrew_antenna": unscrew_antenna, "hang_modem": hang_modem}
