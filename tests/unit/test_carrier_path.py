"""The carrier's path and what a device makes of it: mappings, portals, overlaps, staged APNs, bursts."""

from __future__ import annotations

import asyncio
import random
import struct
from ipaddress import IPv4Network
from itertools import groupby

import pytest

from emulators.carrier.impairments.subscription import change_credentials, demand
from emulators.carrier.machine import ApnRecord, Credentials, Subscriber
from emulators.carrier.mappings import ORIGINAL, build_delete, parse_new
from emulators.common.shaper import Shape, Shaper, find_loss_chance
from emulators.internet.impairments.overlap import change_line
from emulators.management.tcp_figures import TcpFigures, find_figures, follow_figures, read_figures
from emulators.router.hardware.staging import mix_apns
from emulators.router.runtime.overlap import find_overlap
from emulators.router.runtime.portal import is_suspicious, judge_page
from emulators.router.runtime.uplink_state import UplinkState

# One message of a kernel 6.18 for UDP 127.0.0.1:54692 to port 5555 kept for 7 s, as netlink gave it; then with the
# reply's destination made another, as a translator does.
_BODY = (
    "020000003400018014000180080001007f000001080002007f0000011c000280050001001100000006000200d5a400000600030015b30000"
    "3400028014000180080001007f000001080002007f0000011c00028005000100110000000600020015b3000006000300d5a4000008000c00"
    "cbb566380800030000000008080007000000000" + "7"
)
_PLAIN = struct.pack("=IHHII", 148, 256, 0x600, 0, 0) + bytes.fromhex(_BODY)
_AT = _PLAIN.index(struct.pack("=HH", 8, 2) + bytes((127, 0, 0, 1)), 76) + 4  # CTA_IP_V4_DST of the reply
TRANSLATED = _PLAIN[:_AT] + bytes((198, 18, 0, 10)) + _PLAIN[_AT + 4 :]


def test_a_new_mapping_is_read() -> None:
    (made,) = parse_new(TRANSLATED)
    assert (made.inside, made.outside) == ("127.0.0.1:54692", "198.18.0.10:54692")
    assert (made.to_address, made.to_port, made.kept_s) == ("127.0.0.1", 5555, 7)


def test_what_is_not_translated_or_not_new_is_no_mapping() -> None:
    assert not list(parse_new(_PLAIN))
    assert not list(parse_new(TRANSLATED[:6] + b"\0\0" + TRANSLATED[8:]))


@pytest.mark.parametrize("cut", range(0, 148, 7))
def test_a_message_cut_short_is_left_out(cut: int) -> None:
    assert not list(parse_new(TRANSLATED[:cut]))


def test_a_mapping_is_deleted_by_its_original_tuple() -> None:
    (made,) = parse_new(TRANSLATED)
    request = build_delete(made.key, 5)
    length, kind, flags, sequence, _ = struct.unpack_from("=IHHII", request)
    assert (length, kind, flags, sequence) == (len(request), 258, 5, 5)
    assert struct.unpack_from("=HH", request, 20) == (4 + len(made.key), ORIGINAL | 0x8000)
    assert request.endswith(made.key)


def test_a_portal_is_told_from_the_server_itself() -> None:
    assert judge_page("boot.example", 511, None)  # RFC 6585 section 6
    assert judge_page("boot.example", 302, "http://account.carrier.example/")
    assert judge_page("boot.example", 301, "https://boot.example/") is None
    assert judge_page("boot.example", 302, "/elsewhere") is None
    assert judge_page("boot.example", 404, None) is None


def test_a_portal_is_looked_for_where_one_is_likely() -> None:
    assert is_suspicious("clock.failed", {})
    strange = {"step": "heartbeat.failed", "detail": "b: tls: server certificate: self-signed certificate"}
    assert is_suspicious("bootstrap.progressed", strange)
    assert not is_suspicious("bootstrap.progressed", {"step": "heartbeat.failed", "detail": "b: timeout"})
    assert not is_suspicious("uplink.down", {})


def test_an_uplink_in_a_network_of_the_branch_is_found() -> None:
    inside = ("10.61.1.0/26", "10.61.1.64/26")
    line = UplinkState("ethernet", "fixed", "10.61.1.66", "10.61.1.126", 1500, ())
    assert "10.61.1.64/26" in (find_overlap(line, inside) or "")
    behind = UplinkState("ethernet", "fixed", "192.0.2.2", "10.61.1.1", 1500, ())
    assert "gateway" in (find_overlap(behind, inside) or "")
    assert find_overlap(UplinkState("cellular", "wwan0", "100.64.0.2", None, 1428, ()), inside) is None
    assert find_overlap(line, ()) is None


def test_other_apns_come_first_and_go_again() -> None:
    own = [{"name": "kiosk.example", "auth": {"method": "pap"}}]
    mixed = mix_apns(own, ("a.example", "b.example"), ())
    assert [a["name"] for a in mixed] == ["a.example", "b.example", "kiosk.example"]
    assert mix_apns(mixed, ("a.example", "b.example"), ()) == mixed
    assert mix_apns(mixed, (), ("a.example", "b.example")) == own


def test_credentials_on_the_order_change() -> None:
    right = Credentials("chap", "user", "right")
    order = Subscriber("001010000041011", True, True, (ApnRecord("a", None, 1428), ApnRecord("b", right, 1400)))
    changed = change_credentials(order, "password")
    assert changed.apns[0] == order.apns[0]
    assert changed.apns[1].auth is not None
    assert (changed.apns[1].auth.user, changed.apns[1].auth.password == "right") == ("user", False)
    asked = demand(order, ("a",), "pap")
    assert [(a.name, a.auth.method if a.auth else None, a.mtu) for a in asked.apns] == [("a", "pap", 1428)]


def test_the_lines_provider_leases_the_branchs_network() -> None:
    argv = ("dnsmasq", "--listen-address=198.18.0.1", "--dhcp-range=198.18.64.100,198.18.64.110,255.255.255.0,600",
            "--dhcp-option=option:router,198.18.64.1", "--dhcp-option=option:dns-server,198.18.64.1")  # fmt: skip
    changed = change_line(argv, IPv4Network("10.61.1.0/26"))
    assert "--dhcp-range=10.61.1.60,10.61.1.61,255.255.255.192,120" in changed
    assert "--dhcp-option=option:router,10.61.1.62" in changed
    assert not [a for a in changed if "198.18.64" in a]
    assert "--listen-address=198.18.0.1" in changed


def test_tcp_figures_are_read_where_linux_has_them() -> None:
    info = bytearray(144)
    struct.pack_into("=I", info, 100, 7)
    struct.pack_into("=I", info, 136, 900)
    assert read_figures(bytes(info)) == TcpFigures(900, 7)
    assert read_figures(bytes(info)[:140]) is None


def test_figures_are_those_of_the_whole_transfer() -> None:
    """Loopback, the peer reads late: most lies in buffers when all is written. The kernel's own counters judge."""

    async def send() -> tuple[int, int]:
        may_read, is_over = asyncio.Event(), asyncio.Event()

        async def read(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            await may_read.wait()
            await reader.read(-1)
            writer.close()
            await writer.wait_closed()
            is_over.set()

        server = await asyncio.start_server(read, "127.0.0.1", 0, limit=1 << 10)
        async with server:
            _, writer = await asyncio.open_connection(*server.sockets[0].getsockname()[:2])
            writer.write(bytes(8 << 20))
            before = find_figures(writer.transport)
            following = asyncio.create_task(follow_figures(writer.transport))
            await asyncio.sleep(0)  # so that it has begun to look
            assert not following.done(), "nothing was read, and all is acknowledged?"
            may_read.set()
            after = await following
            writer.close()
            await writer.wait_closed()
            await is_over.wait()
        assert before is not None and after is not None
        return before.sent, after.sent

    before, after = asyncio.run(send())
    assert after > before


def test_losses_come_in_bursts_of_the_mean_length() -> None:
    shape = Shape(loss_ratio=0.05, burst_packets=4.0)
    shaper = Shaper(shape, random.Random(7).random)
    lost = [shaper.admit(n * 0.001, 100) is None for n in range(200_000)]
    bursts = [len(list(run)) for is_lost, run in groupby(lost) if is_lost]
    assert sum(lost) / len(lost) == pytest.approx(0.05, rel=0.1)  # some 2500 bursts: sd of the share about 2.6 %
    assert sum(bursts) / len(bursts) == pytest.approx(4.0, rel=0.1)


def test_single_losses_know_no_state() -> None:
    assert find_loss_chance(Shape(loss_ratio=0.05), is_bad=True) == find_loss_chance(
        Shape(loss_ratio=0.05), is_bad=False
    )
