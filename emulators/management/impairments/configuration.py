"""What an operator may have done to a branch's configuration: another document is served. Layer: stand-in.

The device learns of it as of any other: with its bootstrapping data, or by the entity tag of a heartbeat's answer. Who
mends it serves the document of before again.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from ipaddress import IPv4Interface, IPv4Network
from typing import TYPE_CHECKING, Any

from emulators.common.device_config import DeviceConfig, render_config
from emulators.common.impair import Impair, Mend
from emulators.common.record import from_json
from emulators.management.render import build_offer_of

if TYPE_CHECKING:
    from emulators.management.main import ManagementContext

Document = dict[str, Any]
SHADOW_PREFIX = 29  # eight addresses: the server's own, few others, and room for a router and a client


def offer(bench: ManagementContext) -> dict[str, Impair]:
    def serve_changed(change: str) -> Mend:
        """Serve the branch's document with a change made to it (a name of `CHANGES`)."""
        settings, before = bench.seed["settings"], bench.machine.offer
        document = json.loads(render_config(from_json(DeviceConfig, settings["config"], "config")))
        CHANGES[change](document, find_own_address(bench.seed))
        bench.machine.serve(build_offer_of(render_document(document), settings))
        return lambda: bench.machine.serve(before)

    return {"serve_changed": serve_changed}


def find_own_address(seed: Mapping[str, Any]) -> str:
    """Return the address at which devices reach the server."""
    return str(IPv4Interface(seed["links"][0]["addresses"][0]).ip)


def render_document(document: Document) -> bytes:
    """Return the bytes of a document that need not be one of this release (canonical JSON, as render_config's)."""
    return json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def _raise_format(document: Document, _own: str) -> None:
    """It was written for the next release."""
    document["format"] += 1


def _add_section(document: Document, _own: str) -> None:
    """It has a whole section that came with the next release."""
    document["wireless"] = {"name": "staff", "segment": document["segments"][0]["name"]}


def _add_key(document: Document, _own: str) -> None:
    """A section that is known has a key that came with the next release."""
    document["uplinks"]["satellite_last"] = True


def _overcommit(document: Document, _own: str) -> None:
    """The line was ordered slower, and the classes' guarantees were left as they were."""
    document["qos"]["uplink_bps"] = sum(one["guaranteed_bps"] for one in document["qos"]["classes"]) // 2


def _name_absent_port(document: Document, _own: str) -> None:
    """It was written for hardware with more ports."""
    document["segments"][-1]["ports"].append(16)


def _misspell_proposal(document: Document, _own: str) -> None:
    """A typing error in a name of an algorithm."""
    document["tunnel"]["esp_proposals"] = ["aes265gcm16-ecp256"]


def _send_all_to_hq(document: Document, _own: str) -> None:
    """All traffic is to go by way of headquarters: what is needed to get there, too."""
    document["tunnel"]["remote_subnets"] = ["0.0.0.0/0"]


def _shadow_management(document: Document, own: str) -> None:
    """A segment is given the network in which the management server is: to the device it now is in the branch."""
    network = IPv4Network(f"{own}/{SHADOW_PREFIX}", strict=False)
    router, *_, first, last = [str(host) for host in network.hosts() if str(host) != own]
    tunnelled = {IPv4Network(text) for text in document["tunnel"]["local_subnets"]}
    outside = [s for s in document["segments"] if IPv4Interface(s["address"]).network not in tunnelled]
    segment = (outside or document["segments"])[-1]
    segment["address"] = f"{router}/{SHADOW_PREFIX}"
    segment["dhcp"] |= {"first": first, "last": last}


CHANGES: Mapping[str, Callable[[Document, str], None]] = {
    "newer_format": _raise_format,
    "newer_section": _add_section,
    "newer_key": _add_key,
    "overcommitted_qos": _overcommit,
    "absent_port": _name_absent_port,
    "misspelt_proposal": _misspell_proposal,
    "all_to_hq": _send_all_to_hq,
    "shadowed_management": _shadow_management,
}
