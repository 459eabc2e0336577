"""A whole plan of an invented ferry operator's pier kiosk, for examples and for trying the machine. Layer: core, pure.

Also `saw`: one observation in few words, times in seconds from the start of the run. Shipped, because the catalogues'
EXAMPLES are made of these. Addresses: the bench's own links, RFC 2544 and RFC 6598 blocks and 10.0.0.0/8 inside.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from emulators.common.controls import (
    Admission,
    AlertCondition,
    Alerts,
    Application,
    Applications,
    Lockout,
    Operators,
    Passwords,
    Qos,
    QosClass,
    Reach,
    Threats,
    WebCategory,
    WebFilter,
)
from harness.core.model import (
    CarrierRecord,
    FirmwareRecord,
    HardwareClass,
    HeadquartersRecord,
    InventoryRecord,
    Observation,
    Plan,
    Records,
    Waits,
)
from harness.core.sections import (
    Acceptance,
    Administration,
    Apn,
    ApnAuth,
    BootstrapServer,
    Branch,
    DhcpRange,
    Health,
    Logging,
    Monitoring,
    Radius,
    SecretRef,
    Segment,
    Sim,
    SnmpUser,
    Tunnel,
)

TRUE_WALL_NS = 1_800_000_000 * 1_000_000_000
"""True wall time at the start of an example's run (2027-01-15T08:00:00Z)."""

BUDGETS_S = {
    "powered": 5.0,
    "wan_obtained": 15.0,
    "online": 15.0,
    "checked_in": 15.0,
    "upgraded": 60.0,
    "configured": 30.0,
    "tunnel_up": 20.0,
    "hq_reached": 30.0,
}
APPLICATIONS = Applications(
    ("staff",),
    (
        Application("tickets", "tls", ("tcp/443",), ("tickets.skerry.example", ".shop.skerry.example")),
        Application("weather", "dns", ("udp/5000",), ("weather.skerry.example",)),
        Application("time", "port", ("udp/123",)),
    ),
)
THREATS = Threats(("staff",), ("test-file", "root-answer", "port-scan"), "drop")
QOS = Qos(
    1_800_000,
    (
        QosClass("voice", ("ef", "cs5"), 400_000, 600_000),
        QosClass("tickets", ("af21",), 500_000, 1_500_000),
        QosClass("standard", ("df",), 900_000, 1_800_000),
    ),
    ("staff",),
)

WEB_FILTER = WebFilter(
    ("guest",),
    (WebCategory("gambling", ("bets.example", "cards.example")), WebCategory("dating", ("hearts.example",))),
    "nxdomain",
    ("doh.example",),
)


def saw(
    node: str, kind: str, at_s: float, /, *, wall_off_s: float = 0.0, late_s: float = 0.0, **data: Any
) -> Observation:
    """Return an observation. `node` is ``source/part``; the part is ``core`` where not given. `wall_off_s`: how far the
    emitter's own clock is from the true time; `late_s`: how long the observation was under way."""
    source, _, part = node.partition("/")
    at_ns = round(at_s * 1e9)
    wall_ns = TRUE_WALL_NS + at_ns + round(wall_off_s * 1e9)
    return Observation(source, part or "core", kind, at_ns, at_ns + round(late_s * 1e9), wall_ns, 0, data)


def answered(node: str, label: str, at_s: float, result: Any, error: str | None = None) -> Observation:
    """Return a node's answer to an ask; with `error` the probe failed."""
    return saw(node, "command.done", at_s, label=label, ok=error is None, result=result, error=error)


def build_plan(**changes: Any) -> Plan:
    """Return the sample plan; `changes` are fields of its branch."""
    return Plan(
        format=1,
        branch=replace(_build_branch(), **changes),
        hardware=HardwareClass("lte4", 4, 1, True, 64 << 20, 8 << 20, "1.0.0", "2024-01-01T00:00:00Z"),
        waits=Waits(0.5, 0.5, 0.5),
        pace="fast",
        records=_build_records(),
        profile_digest="00" * 32,
    )


def _build_branch() -> Branch:
    key = SecretRef("env:SKERRY_KEY")
    apns = (Apn("iot.skerry.example"), Apn("m2m.skerry.example", ApnAuth("chap", "kiosk", key)))
    segments = (
        Segment(
            "staff",
            10,
            (1,),
            "10.20.10.1/24",
            DhcpRange("10.20.10.100", "10.20.10.199", 3600),
            (Reach("hq"), Reach("internet", ("tcp/443", "udp/123", "udp/5000"))),
            False,
            admission=Admission("dot1x", eap=("tls",)),
        ),
        Segment(
            "guest",
            30,
            (2, 3),
            "10.20.30.1/24",
            DhcpRange("10.20.30.100", "10.20.30.199", 600),
            (Reach("internet"),),
            True,
        ),
    )
    tunnel = Tunnel(
        gateway="hq.skerry.example",
        local_id="kiosk-north.skerry.example",
        remote_id="hq.skerry.example",
        ike_proposals=("aes256gcm16-prfsha384-ecp256",),
        esp_proposals=("aes256gcm16-ecp256",),
        local_subnets=("10.20.10.0/24",),
        remote_subnets=("10.200.0.0/24",),
        dpd_s=10,
        method="psk",
        psk=key,
    )
    return Branch(
        profile="pier-kiosk",
        site="north-pier",
        owner="Skerry Line",
        hostname="kiosk-north",
        serial="SK-000017",
        mac="02:5b:00:00:00:11",
        release="2.1.0",
        sims=(Sim(1, "8999001000000000017", "999700000000017", apns),),
        uplinks=("cellular",),
        health=Health("198.18.0.20", 5.0, 3),
        bootstrap=(BootstrapServer("ztp.skerry.example", 443),),
        segments=segments,
        tunnel=tunnel,
        time_servers=("ntp.skerry.example",),
        name_servers=(),
        logging=Logging("10.200.0.10", 514, "udp", "info"),
        monitoring=Monitoring(
            (SnmpUser("watch", "sha256", key, "aes128", key),), ("hq",), "North pier", "noc@skerry.example"
        ),
        administration=Administration(
            "operator",
            ("hq",),
            ("key", "password"),
            Lockout(5, 60.0, 1800.0),
            Passwords("pci-dss-4", 12, 64, ("letter", "digit"), 4, True),
        ),
        heartbeat_s=10.0,
        confirm_s=60.0,
        alerts=Alerts("http://alerts.skerry.example:8080/branches", (AlertCondition("device_silent", 10.0),)),
        operators=Operators("https://id.skerry.example", "branch-management", True),
        acceptance=Acceptance(BUDGETS_S, "10.200.0.10", 10, 0.0, 250.0, 1_000_000),
        qos=QOS,
        applications=APPLICATIONS,
        threats=THREATS,
        web_filter=WEB_FILTER,
        radius=Radius("10.200.0.10", 1812, key),
    )


def _build_records() -> Records:
    branch_apns = (Apn("m2m.skerry.example"),)
    return Records(
        carrier=CarrierRecord(True, branch_apns, 1428, -93.0, -11.0, 9.0, 20_000_000, 5_000_000, 30.0, 5.0, 0.0),
        inventory=InventoryRecord(True, "SK-000017", "02:5b:00:00:00:11", "Skerry Line", "pier-kiosk"),
        headquarters=HeadquartersRecord(
            None, ("aes256gcm16-prfsha384-ecp256",), ("aes256gcm16-ecp256",), ("10.20.10.0/24",)
        ),
        firmware=FirmwareRecord(),
    )
