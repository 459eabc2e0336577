"""What is known of an uplink that stands. Layer: firmware, pure."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class UplinkState:
    """`address` is dotted, without prefix; `gateway` None on a point-to-point link; `mtu` in bytes."""

    kind: str
    """``cellular`` or ``ethernet``."""
    interface: str
    address: str
    gateway: str | None
    mtu: int
    name_servers: tuple[str, ...]
