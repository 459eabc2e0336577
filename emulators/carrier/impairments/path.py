"""What is wrong on the carrier's way to the internet: packet sizes, delay, loss. Layer: stand-in."""

from __future__ import annotations

from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend

if TYPE_CHECKING:
    from emulators.carrier.main import CarrierProcess


def offer(carrier: CarrierProcess) -> dict[str, Impair]:
    def narrow_path(mtu_bytes: float) -> Mend:
        """Beyond the bearer larger packets vanish, both ways, without ICMP (RFC 2923 section 2.1: a black hole)."""
        carrier.gateway.narrow(int(mtu_bytes))
        return carrier.gateway.narrow

    def delay(rtt_ms: float) -> Mend:
        """The way there and back takes this long."""
        return carrier.change_link(delay_ms=rtt_ms / 2)

    def lose_in_bursts(loss_pct: float, burst_packets: float) -> Mend:
        """Each direction loses packets in runs (shaper.py)."""
        return carrier.change_link(loss_pct=loss_pct, burst_packets=burst_packets)

    return {"narrow_path": narrow_path, "delay": delay, "lose_in_bursts": lose_in_bursts}
