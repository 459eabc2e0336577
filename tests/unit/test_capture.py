"""Captures on loopback with the real tcpdump (4.99.3 and libpcap here): whole from the first packet to the last."""

from __future__ import annotations

import base64
import os
import signal
import socket

import pytest

from emulators.common import verbs
from emulators.common.capture import CaptureError, start_capture
from emulators.common.census import census


def send(count: int, port: int) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as line:
        for _ in range(count):
            line.sendto(bytes(40), ("127.88.0.1", port))


def test_what_is_sent_between_start_and_stop_is_in_the_file(tmp_path):
    path = tmp_path / "deep" / "lo.pcap"
    capture = start_capture("lo", path, "udp dst port 49321")
    send(25, 49321)
    send(5, 49322)
    capture.stop()
    capture.stop()  # twice does no harm
    result = census(path.read_bytes(), ["127.88.0.0/16"])
    assert (result["packets"], result["clear"]) == (25, 25)
    assert any("25 packets captured" in line for line in capture.statistics)
    assert capture.count_dropped() == 0


def test_a_burst_is_not_lost(tmp_path):
    """As many packets as fit the ring while tcpdump may not run at all: the ring must hold them."""
    capture = start_capture("lo", tmp_path / "lo.pcap", "udp dst port 49324")
    try:
        capture.process.send_signal(signal.SIGSTOP)
        send(2000, 49324)
        capture.process.send_signal(signal.SIGCONT)
        assert capture.count_dropped() == 0
        send(1, 49324)
        wait_until(lambda: census((tmp_path / "lo.pcap").read_bytes(), [])["packets"] == 2001)
    finally:
        capture.stop()


def test_what_is_lost_is_told(tmp_path):
    capture = start_capture("lo", tmp_path / "lo.pcap", "udp dst port 49325")
    try:
        capture.process.send_signal(signal.SIGSTOP)
        send(20_000, 49325)
        capture.process.send_signal(signal.SIGCONT)
        assert capture.count_dropped() > 0
    finally:
        capture.stop()


def test_a_capture_can_be_read_while_it_runs(tmp_path):
    capture = start_capture("lo", tmp_path / "lo.pcap", "udp dst port 49323")
    try:
        send(3, 49323)
        wait_until(lambda: census((tmp_path / "lo.pcap").read_bytes(), [])["packets"] == 3)
    finally:
        capture.stop()


def wait_until(holds, timeout_s: float = 5.0) -> None:
    import time

    deadline = time.monotonic() + timeout_s
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def test_a_link_that_is_not_there_is_an_error_with_tcpdumps_words(tmp_path):
    with pytest.raises(CaptureError, match=r"no-such-link: expected tcpdump to listen, saw exit 1: .*No such device"):
        start_capture("no-such-link", tmp_path / "x.pcap")


def test_a_filter_that_is_wrong_is_an_error(tmp_path):
    with pytest.raises(CaptureError, match="syntax error"):
        start_capture("lo", tmp_path / "x.pcap", "udp dst dst")


def test_files_and_clocks_are_handed_out(tmp_path):
    handlers = verbs.standard_verbs()
    content = os.urandom(1000)
    (tmp_path / "a").write_bytes(content)
    assert base64.b64decode(handlers["fetch"](path=str(tmp_path / "a"))["base64"]) == content
    first, second = handlers["clock"](), handlers["clock"]()
    assert 0 <= second["monotonic_ns"] - first["monotonic_ns"] < 10**9
    with pytest.raises(FileNotFoundError):
        handlers["census"](link="no-such-link", inside=[])
