"""Whether what a configuration says of admission makes sense. Layer: router firmware, pure."""

from __future__ import annotations

import re
from collections.abc import Iterator
from ipaddress import IPv4Address

from emulators.common.device_config import DeviceConfig, Segment

_MAC = re.compile(r"[0-9a-f][02468ace](:[0-9a-f]{2}){5}")  # IEEE 802: the lowest bit of the first octet marks a group
_WORD = re.compile(r"[^\x00-\x20\x7f\"\\]([^\x00-\x1f\x7f\"\\]*[^\x00-\x20\x7f\"\\])?")


def check_admission(config: DeviceConfig) -> Iterator[tuple[str, str]]:
    """Yield (section, reason) for each thing that cannot be applied. Raises: ValueError for what is no address."""
    by_name = {segment.name: segment for segment in config.segments}
    for index, segment in enumerate(config.segments):
        where, admission = f"segments[{index}].admission", segment.admission
        if admission.refused != "deny" and not _can_land(segment, by_name.get(admission.refused)):
            yield f"{where}.refused", f"expected deny or another, open segment, saw {admission.refused!r}"
        if admission.method == "dot1x" and (config.radius is None or not admission.eap):
            yield where, "dot1x needs a RADIUS server and an EAP method at least"
        if admission.method == "mac" and not admission.macs:
            yield f"{where}.macs", "expected at least one address, saw none"
        for mac in admission.macs:
            if not _MAC.fullmatch(mac):
                yield f"{where}.macs", f"expected the address of one device, lower case, saw {mac!r}"
    if (radius := config.radius) is not None:
        IPv4Address(radius.server)
        if not 1 <= radius.port <= 65535:
            yield "radius.port", f"expected 1 to 65535, saw {radius.port}"
        if not _WORD.fullmatch(radius.secret):
            yield "radius.secret", "expected words in one line, without quotes or backslashes"


def _can_land(segment: Segment, landing: Segment | None) -> bool:
    return landing is not None and landing is not segment and landing.admission.method == "open"
