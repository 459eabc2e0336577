"""What each stand-in is told at its start: plan, secrets and the run's materials put together. Layer: lab, pure.

This is the last moment, and the only place, where a secret's value takes the place of its reference. The settings of
each node are those of DEVELOPERS.md, "Seeds and commands". What the others know of the site comes from their own
records (`Plan.records`), never from the profile. Not here: keys (pki.py), links' addresses (bench_links.py), the
internet's settings (seed_internet.py) and those of admission (seed_admission.py).
"""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from emulators.common.firmware import Sketch
from emulators.common.record import to_json
from harness.core import threat_ways
from harness.core.model import Plan
from harness.core.sections import Apn, Branch
from harness.lab.bench_links import (
    CARRIER_DNS,
    CARRIER_NAT,
    DEVICE_GATEWAY,
    DEVICE_POOL,
    INTERNET,
    MANAGEMENT,
    build_links,
    hq_gateway_host,
)
from harness.lab.certificates import Credential
from harness.lab.device_seed import Secrets, build_config, resolve
from harness.lab.firmware import ReleaseImage
from harness.lab.pki import Pki
from harness.lab.seed_admission import Access, build_client, build_radius
from harness.lab.seed_internet import HTTPS_PORT, DeskAccount, build_internet
from harness.lab.topology import Topology
from harness.lab.tunnel_spares import OTHER_BRANCH

SEED_FORMAT = 1
HOME_PLMN_DIGITS = 5
"""MCC and a two-digit MNC (TS 23.003 clause 2.2); test network 001-01."""
SECOND_PORT = 9443
"""Where a second management server listens, if it is there: our choice, beside 443 and 8443 (operators)."""


@dataclass(frozen=True, slots=True)
class Materials:
    """What is made afresh for a run. `puks`: SIM slot to PUK, eight digits (TS 31.101 clause 9.5.2)."""

    pki: Pki
    factory: ReleaseImage
    release: ReleaseImage
    puks: Mapping[int, str]
    desk: DeskAccount
    access: Access | None = None
    spares: Mapping[str, Sketch] = field(default_factory=dict)
    """Images that the firmware store may hold in the release's place."""


def render_seed(seed: Mapping[str, Any]) -> bytes:
    """Return a seed as its line."""
    return json.dumps(seed, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode() + b"\n"


def build_seeds(plan: Plan, secrets: Secrets, materials: Materials, topology: Topology, run_id: str) -> dict[str, Any]:
    """Return node name to seed, for each node of the topology. Raises: KeyError for a secret that was not given."""
    settings = {
        "router": lambda: _router(plan, secrets, materials),
        "carrier": lambda: _carrier(plan, secrets),
        "internet": lambda: build_internet(plan, materials.pki, materials.desk, topology),
        "management": lambda: _management(plan, secrets, materials),
        "hq-gateway": lambda: _hq_gateway(plan, secrets, materials),
        "hq-endpoint": lambda: _hq_endpoint(plan, secrets, materials),
    }
    seeds = {}
    for service in topology.services.values():
        if service.network_mode == "host":
            continue
        own = settings.get(service.name)
        seeds[service.name] = {
            "format": SEED_FORMAT,
            "run": run_id,
            "node": service.name,
            "links": [to_json(link) for link in build_links(plan, service)],
            "settings": own() if own else _client(plan, service.name, materials),
        }
    return seeds


def operator_probe(branch: Branch, materials: Materials) -> dict[str, str]:
    """Return what the `ssh` probe needs to be the operator; empty where the profile has no administration."""
    if branch.administration is None:
        return {}
    return {"user": branch.administration.user, "key_pem": materials.pki.operator.private_pem}


def _router(plan: Plan, secrets: Secrets, materials: Materials) -> dict[str, Any]:
    branch, pki = plan.branch, materials.pki
    pins = {sim.slot: resolve(secrets, sim.pin) for sim in branch.sims}
    delivered = resolve(secrets, plan.records.carrier.pin)  # the card's own, where it is not what the device is told
    return {
        "identity": {
            "serial": branch.serial,
            "mac": branch.mac,
            "owner": branch.owner,
            **_identity(pki.device),
        },
        "trust": {"bootstrap_ca_pem": pki.bootstrap_ca_pem, "firmware_public_key_pem": pki.firmware.public},
        "hardware": to_json(plan.hardware),
        "waits": to_json(plan.waits),
        "sims": [
            {
                "slot": s.slot,
                "iccid": s.iccid,
                "imsi": s.imsi,
                "pin": delivered or pins[s.slot],
                "puk": materials.puks[s.slot],
            }
            for s in branch.sims
        ],
        "first_boot": {
            "sims": [
                {"slot": s.slot, "pin": pins[s.slot], "apns": [_apn(secrets, apn) for apn in s.apns]}
                for s in branch.sims
            ],
            "uplinks": list(branch.uplinks),
            "bootstrap": [to_json(server) for server in branch.bootstrap],
            "time_servers": list(branch.time_servers),
            "name_servers": list(branch.name_servers),
        },
        "factory": {"release": materials.factory.release, "image_base64": _base64(materials.factory.data)},
        "identities": {
            name: _identity(credential) for name, credential in {"own": pki.device, **pki.spares.device}.items()
        },
    }


def _identity(credential: Credential) -> dict[str, str]:
    return {**credential.build_pair(), "chain_pem": credential.chain_pem}


def _carrier(plan: Plan, secrets: Secrets) -> dict[str, Any]:
    record = plan.records.carrier
    apns = [{**_apn(secrets, apn), "mtu": record.mtu} for apn in record.apns]
    return {
        "plmn": plan.branch.sims[0].imsi[:HOME_PLMN_DIGITS],
        "pool": DEVICE_POOL,
        "gateway": DEVICE_GATEWAY,
        "nat_address": CARRIER_NAT,
        "dns_upstream": CARRIER_DNS,
        "subscribers": [
            {"imsi": sim.imsi, "active": record.active, "roaming_allowed": True, "apns": apns}
            for sim in plan.branch.sims
        ],
        "cell": {"rsrp_dbm": record.rsrp_dbm, "rsrq_db": record.rsrq_db, "sinr_db": record.sinr_db},
        "link": {
            "down_bps": record.down_bps,
            "up_bps": record.up_bps,
            "delay_ms": record.delay_ms,
            "jitter_ms": record.jitter_ms,
            "loss_pct": record.loss_pct,
        },
        "wait_registration_s": plan.waits.modem_registration_s,
    }


def _management(plan: Plan, secrets: Secrets, materials: Materials) -> dict[str, Any]:
    branch, inventory, pki = plan.branch, plan.records.inventory, materials.pki
    image = materials.release
    data = damage(image.data) if plan.records.firmware.damage == "corrupted" else image.data
    first = branch.bootstrap[0]
    known = {"serial": inventory.serial, "mac": inventory.mac, "owner": inventory.owner, "profile": inventory.profile}
    return {
        "tls": {
            "certificate_pem": pki.management.certificate_pem,
            "key_pem": pki.management.key_pem,
            "device_ca_pem": pki.manufacturer_ca_pem,
            "server_ca_pem": pki.bootstrap_ca_pem,
            "spares": {name: credential.build_pair() for name, credential in pki.spares.management.items()},
        },
        "second": {
            "address": MANAGEMENT,
            "port": SECOND_PORT,
            "ca_pem": pki.spares.second.chain_pem,
            **pki.spares.second.build_pair(),
        },
        "ports": sorted({server.port for server in branch.bootstrap}),
        "inventory": [known] if inventory.claimed else [],
        "profile": branch.profile,
        "owner": branch.owner,
        "firmware": {
            "os_name": image.os_name,
            "release": image.release,
            "image_base64": _base64(data),
            "sha256": image.sha256,
            "uri_host": first.address if first.port == HTTPS_PORT else f"{first.address}:{first.port}",
            "spares": {name: _sketch(spare) for name, spare in materials.spares.items()},
        },
        "config": build_config(branch, secrets, pki),
        "expired_branch": pki.tunnel_spares.branch.build_pair(),
        "alerts": to_json(branch.alerts),
        "operators": to_json(branch.operators),
        "issuer_ca_pem": pki.sign_in_ca_pem,
        "heartbeat_s": branch.heartbeat_s,
        "name_servers": [INTERNET],
        "webhook_ca_pem": pki.sign_in_ca_pem,
    }


def damage(image: bytes) -> bytes:
    """Return the image with one byte flipped, three quarters in: in its payload, not in its header."""
    spot = len(image) * 3 // 4
    return image[:spot] + bytes([image[spot] ^ 0xFF]) + image[spot + 1 :]


def _sketch(spare: Sketch) -> dict[str, Any]:
    return {
        "front_base64": _base64(spare.front),
        "filler_label": spare.filler_label,
        "filler_bytes": spare.filler_bytes,
    }


def _hq_gateway(plan: Plan, secrets: Secrets, materials: Materials) -> dict[str, Any]:
    tunnel, record, pki = plan.branch.tunnel, plan.records.headquarters, materials.pki
    return {
        "tunnel": {
            "local_id": tunnel.remote_id,
            "remote_id": tunnel.local_id,
            "local_subnets": list(tunnel.remote_subnets),
            "remote_subnets": list(record.branch_subnets),
            "ike_proposals": list(record.ike_proposals),
            "esp_proposals": list(record.esp_proposals),
            "dpd_s": tunnel.dpd_s,
            "method": tunnel.method,
            "psk": resolve(secrets, record.psk),
            "certificate_pem": pki.gateway.certificate_pem,
            "key_pem": pki.gateway.key_pem,
            "remote_ca_pem": pki.hq_ca_pem,
        },
        "expired": pki.tunnel_spares.gateway.build_pair(),
        "other_branch": {"id": OTHER_BRANCH, **pki.tunnel_spares.other_branch.build_pair()},
    }


def _hq_endpoint(plan: Plan, secrets: Secrets, materials: Materials) -> dict[str, Any]:
    return {
        "gateway": hq_gateway_host(plan),
        "branch_subnets": list(plan.records.headquarters.branch_subnets),
        "syslog": _log_server(plan, materials.pki),
        "radius": build_radius(plan, secrets, materials.access),
        "exchange": list(threat_ways.list_ports(plan, threat_ways.HQ_NODE)),
    }


def _log_server(plan: Plan, pki: Pki) -> dict[str, Any] | None:
    logging = plan.branch.logging
    if logging is None:
        return None
    settings: dict[str, Any] = {"transport": logging.transport, "port": logging.port}
    if logging.transport == "tls":
        settings |= {**pki.log_server.build_pair(), "other": pki.log_impostor.build_pair()}
    return settings


def _client(plan: Plan, node: str, materials: Materials) -> dict[str, Any]:
    """A client at a port of no segment (there is one only in a lab by hand) has segment null."""
    port = int(node.removeprefix("client"))
    segment = next((s.name for s in plan.branch.segments if port in s.ports), None)
    return {"segment": segment, "port": port, "admission": build_client(plan, port, materials.access)}


def _apn(secrets: Secrets, apn: Apn) -> dict[str, Any]:
    auth = apn.auth
    return {
        "name": apn.name,
        "auth": None
        if auth is None
        else {"method": auth.method, "user": auth.user, "password": resolve(secrets, auth.password)},
    }


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")
