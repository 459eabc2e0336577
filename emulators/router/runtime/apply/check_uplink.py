"""Whether a configuration can run over the uplink there is. Layer: router firmware, pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from emulators.common.device_config import DeviceConfig

from ..overlap import find_overlap
from .base import ApplyError, network_of

if TYPE_CHECKING:
    from ..uplink_state import UplinkState


def check_uplink(config: DeviceConfig, uplink: UplinkState | None) -> None:
    """Raise ApplyError where the uplink lies in one of the segments: nothing is changed then, and management hears of
    it, as long as it can be reached at all."""
    networks = [network_of(segment) for segment in config.segments]
    reason = find_overlap(uplink, networks) if uplink is not None else None
    if reason is not None:
        raise ApplyError("uplinks", reason)
