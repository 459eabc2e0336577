"""What the router makes of a configuration: pure renderers and checks; the transaction with parts of the test's own.

The texts themselves are checked by the daemons that read them: tests/lab/test_apply_hq.py.
"""

from __future__ import annotations

import dataclasses
import json
import threading
import time
from pathlib import Path

import pytest

from emulators.common.controls import Reach
from emulators.common.device_config import (
    Administration,
    DeviceConfig,
    DhcpRange,
    Logging,
    Management,
    Monitoring,
    Segment,
    SnmpUser,
    Tunnel,
    Uplinks,
)  # fmt: skip
from emulators.router.runtime.apply.base import ApplyError, Ground, Part, Running, Situation, find_tunnel_mtu
from emulators.router.runtime.apply.check import check_config
from emulators.router.runtime.apply.connection import build_connection, judge_sas
from emulators.router.runtime.apply.deployment import Deployment
from emulators.router.runtime.apply.parts import (
    administration,
    discover_parts,
    firewall,
    leases,
    logs,
    monitoring,
    names,
)
from emulators.router.runtime.uplink_state import UplinkState

TUNNEL = Tunnel(
    "vpn.skerry.example", "kiosk.skerry.example", "hq.skerry.example", ("aes256gcm16-prfsha384-ecp384",),
    ("aes256gcm16",), ("10.20.10.0/24",), ("10.200.0.0/24",), 10, "psk", "a long secret of the ferry line",
)  # fmt: skip
CREW = Segment(
    "crew", 10, (1,), "10.20.10.1/24", DhcpRange("10.20.10.100", "10.20.10.150", 3600), (Reach("hq"), Reach("guest"))
)
GUEST = Segment(
    "guest", 30, (2, 3), "10.20.30.1/24", DhcpRange("10.20.30.9", "10.20.30.90", 900), (Reach("internet"),), True
)
CONFIG = DeviceConfig(
    1, "kiosk", "kiosk", (CREW, GUEST), Uplinks(("cellular",), None), TUNNEL, ("198.18.0.1",), (),
    Logging("10.200.0.10", 514, "udp", "notice"),
    Monitoring((SnmpUser("watch", "sha256", "watch and learn", "aes128", "keep it private"),), ("hq",), "pier", "ops"),
    Administration("operator", ("ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIA== o",), ("hq",)),
    Management(("mgmt.skerry.example",), 30.0, 60.0),
)  # fmt: skip
UPLINK = UplinkState("cellular", "wwan0", "100.64.0.2", None, 1428, ("100.64.0.1",))
SITUATION = Situation(UPLINK, "userspace", 1366, ("198.18.0.30",))


def change(**fields):
    return dataclasses.replace(CONFIG, **fields)


def tunnel(**fields):
    return change(tunnel=dataclasses.replace(TUNNEL, **fields))


# ---------------------------------------------------------------- checks


def test_a_sound_configuration_passes():
    check_config(CONFIG)


@pytest.mark.parametrize(
    ("config", "section"),
    [
        (change(segments=()), "segments"),
        (change(segments=(CREW, dataclasses.replace(GUEST, vlan=10))), "segments[1]"),
        (change(segments=(CREW, dataclasses.replace(GUEST, vlan=4095))), "segments[1].vlan"),
        (change(segments=(CREW, dataclasses.replace(GUEST, ports=(1,)))), "segments[1].ports"),
        (change(segments=(CREW, dataclasses.replace(GUEST, reach=(Reach("kitchen"),)))), "segments[1].reach"),
        (
            change(segments=(dataclasses.replace(CREW, dhcp=DhcpRange("10.20.10.1", "10.20.10.9", 600)), GUEST)),
            "segments[0].dhcp",
        ),
        (change(segments=(dataclasses.replace(CREW, address="10.20.300.1/24"), GUEST)), "addresses"),
        (change(hostname="kiosk\nlog"), "hostname"),
        (tunnel(esp_proposals=("aes256",)), "tunnel.esp_proposals"),
        (tunnel(psk=None), "tunnel.psk"),
        (tunnel(method="certificate"), "tunnel"),
        (tunnel(gateway="vpn example"), "tunnel.gateway"),
        (change(administration=Administration("root", (), ("hq",))), "administration.user"),
        (change(administration=Administration("op", ("ssh-ed25519 A\nssh-rsa B",), ())), "administration.public_keys"),
        (
            change(monitoring=Monitoring((SnmpUser("w", "sha", "short", "aes128", "longenough"),), (), "", "")),
            "monitoring.users",
        ),
        (change(logging=Logging("10.200.0.10", 70000, "udp", "info")), "logging.port"),
    ],
)
def test_what_makes_no_sense_is_named(config, section):
    with pytest.raises(ApplyError) as caught:
        check_config(config)
    assert caught.value.section == section
    assert "secret" not in str(caught.value)


# ---------------------------------------------------------------- renderers


def rules(config=CONFIG, situation=SITUATION):
    return firewall.render(config, situation)[firewall.SCRIPT].splitlines()


def test_firewall_opens_what_the_configuration_opens():
    lines = [line.strip() for line in rules()]
    everything = "meta l4proto { icmp, tcp, udp } accept"
    assert f'iifname "br10" ip saddr 10.20.10.0/24 oifname "ipsec0" ip daddr @headquarters {everything}' in lines
    assert f'iifname "br10" ip saddr 10.20.10.0/24 oifname "br30" ip daddr 10.20.30.0/24 {everything}' in lines
    guest = [line for line in lines if 'iifname "br30" ip saddr 10' in line]
    assert guest == [
        'iifname "br30" ip saddr 10.20.30.0/24 oifname "wwan0" ip daddr != @headquarters ip daddr != @branch '
        + everything
    ]
    assert sum("tcp dport 22 accept" in line for line in lines) == 1
    assert 'iifname "ipsec0" ip saddr @headquarters udp dport 161 accept' in lines
    assert any('oifname "ipsec0"' in line and "maxseg size set 1326" in line for line in lines)  # 1366 - 40, RFC 6691


def test_firewall_without_uplink_opens_no_wan():
    text = "\n".join(rules(situation=dataclasses.replace(SITUATION, uplink=None)))
    assert "masquerade" not in text
    assert "wwan0" not in text
    assert "ip daddr @headquarters counter drop" in text


def test_texts_hold_no_secret_but_where_they_must():
    for part in discover_parts():
        for path, text in part.render(CONFIG, SITUATION).items():
            assert ("watch and learn" in text) == (path == monitoring.USERS)
            assert "a long secret" not in text


def test_other_texts():
    assert names.render(CONFIG, SITUATION)[names.SERVERS] == "server=100.64.0.1\n"
    own = change(name_servers=("198.18.0.1",))
    assert names.render(own, SITUATION)[names.SERVERS] == "server=198.18.0.1\n"
    assert (
        "dhcp-range=set:br30,10.20.30.9,10.20.30.90,255.255.255.0,900" in leases.render(CONFIG, SITUATION)[leases.CONF]
    )
    assert not administration.render(change(administration=None), SITUATION)
    assert "omfwd" not in logs.render(change(logging=None), SITUATION)[logs.CONF]
    assert monitoring.keep_engine("engineBoots 4\nusmUser 1 3 0x80\noldEngineID 0x80\n") == (
        "engineBoots 4\noldEngineID 0x80\n"
    )


def test_log_way_is_the_tunnel_where_the_server_is_behind_it():
    up = dataclasses.replace(SITUATION, tunnel_up=True)
    assert not logs.is_way_open(CONFIG, SITUATION)
    assert logs.is_way_open(CONFIG, up)
    outside = change(logging=Logging("198.18.0.1", 514, "udp", "info"))
    assert logs.is_way_open(outside, SITUATION)
    assert not logs.is_way_open(outside, dataclasses.replace(SITUATION, uplink=None))


def test_connection_and_its_standing():
    made = build_connection(TUNNEL, "198.18.0.30", "userspace")
    assert (made["remote_addrs"], made["local"]["auth"], made["remote"]["id"]) == (
        ["198.18.0.30"], "psk", "hq.skerry.example",
    )  # fmt: skip
    assert TUNNEL.psk not in json.dumps(made)
    assert "if_id_in" in build_connection(TUNNEL, "198.18.0.30", "kernel")["children"]["branch"]
    assert judge_sas([]) == "idle"
    assert judge_sas([{"state": "CONNECTING"}]) == "busy"
    assert judge_sas([{"state": "ESTABLISHED", "child-sas": {}}]) == "idle"
    assert judge_sas([{"state": "ESTABLISHED", "child-sas": {"b": {"state": "REKEYING"}}}]) == "up"


def test_tunnel_mtu_is_the_least_of_the_proposals():
    both = tunnel(esp_proposals=("aes256gcm16", "aes256-sha256"))
    assert [find_tunnel_mtu(c, UPLINK, "kernel") for c in (CONFIG, both)] == [1366, 1358]


def test_user_space_esp_carries_no_more_than_its_buffer():
    """1438 is RFC 4303's arithmetic for a 1500-octet link; strongSwan 5.9's user-space ESP cuts at 1400 (measured)."""
    wide = dataclasses.replace(UPLINK, mtu=1500)
    assert [find_tunnel_mtu(CONFIG, wide, means) for means in ("kernel", "userspace")] == [1438, 1400]


# ---------------------------------------------------------------- the transaction


class Told:
    def __init__(self):
        self.lines = []
        self.lock = threading.Lock()

    def emit(self, kind, /, **data):
        with self.lock:
            self.lines.append((kind, data))


def make_part(told, name, wave, fails=False):
    def start(_config, situation, _files, _ground):
        if fails:
            raise OSError("no such device")
        told.emit("started", part=name)
        return Running(
            stop=lambda: told.emit("stopped", part=name),
            refresh=lambda _files, new: told.emit("refreshed", part=name, mtu=new.tunnel_mtu),
        )

    return Part(name, f"section-{name}", wave, lambda _config, _situation: {}, start)


def deploy(parts, told):
    ground = Ground(told, Path("/nowhere"), lambda up: None, lambda **facts: None)
    return Deployment(CONFIG, SITUATION, tuple(parts), ground)


def test_one_part_that_fails_undoes_all_newest_first():
    told = Told()
    parts = [make_part(told, "a", 0), make_part(told, "b", 1), make_part(told, "c", 2, fails=True)]
    with pytest.raises(ApplyError) as caught:
        deploy(parts, told).start()
    assert (caught.value.section, "no such device" in caught.value.reason) == ("section-c", True)
    assert [(kind, data["part"]) for kind, data in told.lines] == [
        ("started", "a"), ("started", "b"), ("stopped", "b"), ("stopped", "a"),
    ]  # fmt: skip


def test_change_reaches_every_part_until_stopped():
    told = Told()
    deployment = deploy([make_part(told, "a", 0), make_part(told, "b", 0)], told)
    deployment.start()
    deployment.change(tunnel_mtu=1294)
    deployment.stop()
    deployment.change(tunnel_mtu=1000)
    assert sorted(data["part"] for kind, data in told.lines if kind == "refreshed" and data["mtu"] == 1294) == [
        "a",
        "b",
    ]
    assert not [data for kind, data in told.lines if data.get("mtu") == 1000]


def test_parts_are_found_in_the_order_of_their_waves():
    found = discover_parts()
    assert [part.wave for part in found] == sorted(part.wave for part in found)
    known = {"firewall", "segments", "logs", "leases", "names", "tunnel", "administration", "monitoring", "web_filter"}
    assert known <= {part.name for part in found}


# ---------------------------------------------------------------- the supervisor


def test_keeper_restarts_and_stops(tmp_path, monkeypatch):
    from emulators.common import supervise

    monkeypatch.setattr(supervise, "FIRST_PAUSE_S", 0.01)
    mark = tmp_path / "mark"
    daemon = supervise.Daemon("short", ("sh", "-c", f"echo run >> {mark}; sleep 0.05"))
    keeper = supervise.Keeper(daemon).start()
    deadline = time.monotonic() + 10
    while keeper.starts < 3 and time.monotonic() < deadline:
        time.sleep(0.01)
    keeper.stop()
    runs = len(mark.read_text().splitlines())
    time.sleep(0.3)
    assert runs >= 2
    assert len(mark.read_text().splitlines()) == runs


def test_keeper_tells_a_daemon_that_ends_at_once():
    from emulators.common import supervise

    keeper = supervise.Keeper(supervise.Daemon("wrong", ("sh", "-c", "echo bad option >&2; exit 2"))).start()
    with pytest.raises(supervise.DaemonError, match="bad option"):
        keeper.wait_ready(lambda: False, 5.0)
    keeper.stop()
