"""What reaches the receiver over each antenna port. Layer: modem hardware, pure.

Two ports, as any E-UTRA receiver has (TS 36.101 clause 7.2: requirements assume two antenna ports). What the modem
reports as RSRP is not lower than that of any one port (TS 36.214 clause 5.1.1), so an antenna that fell off shows less
there than in the difference between the ports.
"""

from __future__ import annotations

from collections.abc import Sequence

PORTS = 2
UNEVEN_DB = (0.0, 1.5)
"""By how much each port hears less than the better one, all being well. Common practice, no source: a few dB."""


def measure_ports(rsrp_dbm: float, losses_db: Sequence[float]) -> tuple[float, ...]:
    """Return the RSRP at each port, dBm, where the cell is heard with `rsrp_dbm` at its best."""
    return tuple(rsrp_dbm - uneven - loss for uneven, loss in zip(UNEVEN_DB, losses_db, strict=True))


def combine_ports(ports_dbm: Sequence[float]) -> float:
    """Return the RSRP that is reported for all ports together."""
    return max(ports_dbm)
