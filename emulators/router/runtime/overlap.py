"""Does an uplink lie in a network of the branch's own? Layer: firmware, pure.

Two networks of the same addresses cannot be told apart by routing (RFC 5684 section 3 says what comes of it behind a
translator): what is meant for a client would leave by the uplink, or the other way round. So such an uplink is not
used: the addresses of the branch are headquarters' plan, and the provider has others.
"""

from __future__ import annotations

from collections.abc import Iterable
from ipaddress import IPv4Address, IPv4Network

from .uplink_state import UplinkState


def find_overlap(state: UplinkState, networks: Iterable[str]) -> str | None:
    """Return why an uplink cannot be used beside these networks, or None: its own address or its gateway is in one."""
    for network in networks:
        for what, address in (("address", state.address), ("gateway", state.gateway)):
            if address is not None and IPv4Address(address) in IPv4Network(network):
                return f"the {what} {address} of {state.kind} lies in the branch's own {network}"
    return None
