"""The device's way of its log to the server: the gate, and datagrams, TCP and TLS behind it. On the loopback only.

Framing: RFC 6587 section 3.4.1 and the example of RFC 5425 section 4.3.1's rule on example 1 of RFC 5424 section 6.5.
"""

from __future__ import annotations

import datetime
import ipaddress
import socket
import ssl
import threading
import time
from contextlib import suppress

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from emulators.common.device_config import Logging
from emulators.hq.syslog_message import parse_message, split_stream
from emulators.router.runtime.apply.log_gate import FrameError, Gate, split_frames
from emulators.router.runtime.apply.log_ways import Datagrams, Stream, build_tls, build_way
from emulators.router.runtime.apply.parts.logs import find_severity

EXAMPLE_1 = (
    b"<34>1 2003-10-11T22:14:15.003Z mymachine.example.com su - ID47 - "
    b"\xef\xbb\xbf'su root' failed for lonvick on /dev/pts/8"
)
WAIT_S = 5.0


def make_certificate(address: str, issuer=None) -> tuple[str, str, tuple]:
    """Return certificate and key in PEM, and what signs others."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, address if issuer else "a ca of the test")])
    now = datetime.datetime.now(datetime.UTC)
    day = datetime.timedelta(days=1)
    by, by_key = issuer or (name, key)
    builder = x509.CertificateBuilder(by, name, key.public_key(), x509.random_serial_number(), now - day, now + day)
    if issuer:
        names = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(address))])
        builder = builder.add_extension(names, critical=False)
    else:
        builder = builder.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
    made = builder.sign(by_key, hashes.SHA256())
    pem = serialization.Encoding.PEM
    text = key.private_bytes(pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()).decode()
    return made.public_bytes(pem).decode(), text, (name, key)


class Collector:
    """A log server on the loopback that notes whole messages; `hang_up` ends every connection."""

    def __init__(self, tls: ssl.SSLContext | None = None, port: int = 0) -> None:
        self.messages: list[bytes] = []
        self.refused: list[str] = []
        self._tls, self._lines = tls, []
        self._listener = socket.create_server(("127.0.0.1", port))
        self.port = self._listener.getsockname()[1]
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            try:
                line, _ = self._listener.accept()
            except OSError:
                return
            try:
                made = self._tls.wrap_socket(line, server_side=True) if self._tls else line
            except OSError as error:
                self.refused.append(str(error))
                line.close()
                continue
            self._lines.append(made)
            threading.Thread(target=self._read, args=(made,), daemon=True).start()

    def _read(self, line: socket.socket) -> None:
        rest = b""
        with suppress(OSError):
            while data := line.recv(65536):
                messages, rest = split_stream(rest + data)
                self.messages += messages

    def wait(self, count: int) -> list[bytes]:
        deadline = time.monotonic() + WAIT_S
        while len(self.messages) < count and time.monotonic() < deadline:
            threading.Event().wait(0.01)
        return list(self.messages)

    def hang_up(self) -> None:
        for line in self._lines:
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
            line.close()
        self._lines.clear()

    def close(self) -> None:
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(WAIT_S)
        self.hang_up()


def feed(gate: Gate, *messages: bytes) -> None:
    with socket.create_connection(("127.0.0.1", gate.port)) as inside:
        inside.sendall(b"".join(b"%d %s\n" % (len(m) + 1, m) for m in messages))


def test_frames_of_rfc_6587() -> None:
    assert split_frames(b"3 abc5 de") == ([b"abc"], b"5 de")
    with pytest.raises(FrameError):
        split_frames(b"<34>1 x")


def test_datagrams_wait_for_the_way_and_then_go_one_message_each() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as server:
        server.bind(("127.0.0.1", 0))
        server.settimeout(0.3)
        gate = Gate(Datagrams("127.0.0.1", server.getsockname()[1], "127.0.0.1"), settle_s=0.01, port=0)
        gate.start()
        feed(gate, b"one", b"two")
        with pytest.raises(TimeoutError):
            server.recv(100)
        gate.set_open(True)
        server.settimeout(WAIT_S)
        assert [server.recv(100), server.recv(100)] == [b"one", b"two"]
        gate.set_open(False)
        feed(gate, b"three")
        server.settimeout(0.3)
        with pytest.raises(TimeoutError):
            server.recv(100)
        assert gate.stop() == [b"three"]


def test_a_message_rests_before_it_is_sent_so_that_a_way_that_closes_loses_none() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as server:
        server.bind(("127.0.0.1", 0))
        server.settimeout(0.5)
        gate = Gate(Datagrams("127.0.0.1", server.getsockname()[1], "127.0.0.1"), settle_s=0.2, port=0)
        gate.start()
        gate.set_open(True)
        feed(gate, b"the tunnel ends")
        gate.set_open(False)
        with pytest.raises(TimeoutError):
            server.recv(100)
        gate.set_open(True)
        assert server.recv(100) == b"the tunnel ends"
        assert gate.stop() == []


def test_a_shut_gate_keeps_the_newest_and_no_more_than_it_is_told() -> None:
    for most, left in ((0, []), (2, [b"two", b"three"])):
        gate = Gate(Datagrams("127.0.0.1", 9, "127.0.0.1"), most=most, settle_s=0.01, port=0)
        gate.start()
        feed(gate, b"one", b"two", b"three")
        threading.Event().wait(0.3)
        assert gate.stop() == left


def test_the_next_configuration_sends_what_the_last_could_not() -> None:
    collector = Collector()
    gate = Gate(Stream("127.0.0.1", collector.port, "127.0.0.1", None), [b"<13>1 - - - - - - a"], settle_s=0.01, port=0)
    gate.start()
    gate.set_open(True)
    assert collector.wait(1) == [b"<13>1 - - - - - - a"]
    assert gate.stop() == []
    collector.close()


def test_a_server_that_goes_and_comes_back_gets_every_message_in_order() -> None:
    collector = Collector()
    gate = Gate(Stream("127.0.0.1", collector.port, "127.0.0.1", None), settle_s=0.01, port=0)
    gate.start()
    gate.set_open(True)
    first = [b"<13>1 - - - - - - %d" % n for n in range(200)]
    feed(gate, *first)
    assert collector.wait(200) == first
    collector.close()
    feed(gate, b"<13>1 - - - - - - x", b"<13>1 - - - - - - y")
    threading.Event().wait(0.3)
    again = Collector(port=collector.port)
    assert again.wait(2) == [b"<13>1 - - - - - - x", b"<13>1 - - - - - - y"]
    assert gate.stop() == []
    again.close()


def test_tls_carries_example_1_in_the_frame_of_rfc_5425_to_the_right_server_only() -> None:
    ca_pem, _, ca = make_certificate("")
    _, _, other = make_certificate("")
    contexts = {}
    for name, (address, issuer) in {
        "right": ("127.0.0.1", ca), "wrong name": ("127.0.0.2", ca), "wrong authority": ("127.0.0.1", other),
    }.items():  # fmt: skip
        certificate, key, _ = make_certificate(address, issuer)
        contexts[name] = load(certificate, key)
    for name, context in contexts.items():
        collector = Collector(context)
        way = build_way(Logging("127.0.0.1", collector.port, "tls", "info", ca_pem), "127.0.0.1")
        gate = Gate(way, settle_s=0.01, port=0)
        gate.start()
        gate.set_open(True)
        feed(gate, EXAMPLE_1)
        if name == "right":
            assert [parse_message(m).msgid for m in collector.wait(1)] == ["ID47"]
            assert gate.stop() == []
        else:
            deadline = time.monotonic() + WAIT_S
            while not collector.refused and time.monotonic() < deadline:
                threading.Event().wait(0.01)
            assert collector.refused and not collector.messages, name
            assert gate.stop() == [EXAMPLE_1]
        collector.close()


def load(certificate: str, key: str) -> ssl.SSLContext:
    import tempfile

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    with tempfile.NamedTemporaryFile("w", suffix=".pem") as file:
        file.write(key + certificate)
        file.flush()
        context.load_cert_chain(file.name)
    return context


def test_the_frame_of_rfc_5425() -> None:
    """Section 4.3: MSG-LEN SP SYSLOG-MSG. Example 1 has 110 octets."""
    ours, theirs = socket.socketpair()
    stream = Stream("127.0.0.1", 1, "127.0.0.1", None)
    stream._socket = ours
    stream.send(EXAMPLE_1)
    assert theirs.recv(200).startswith(b"110 <34>1 2003-10-11T22:14:15.003Z ")
    ours.close()
    theirs.close()


def test_tls_without_an_authority_is_no_tls() -> None:
    with pytest.raises((ssl.SSLError, ValueError)):
        build_tls(None)


def test_a_way_that_is_shut_ends_its_connection_and_keeps_what_was_not_acknowledged() -> None:
    collector = Collector()
    gate = Gate(Stream("127.0.0.1", collector.port, "127.0.0.1", None), settle_s=0.01, port=0)
    gate.start()
    gate.set_open(True)
    feed(gate, b"<13>1 - - - - - - a")
    assert collector.wait(1) == [b"<13>1 - - - - - - a"]
    gate.shut()
    feed(gate, b"<13>1 - - - - - - b")
    threading.Event().wait(0.2)
    assert len(collector.messages) == 1
    gate.set_open(True)
    assert collector.wait(2)[1:] == [b"<13>1 - - - - - - b"]
    assert gate.stop() == []
    collector.close()


def test_severity_of_a_kept_message() -> None:
    """RFC 5424 section 6.2.1: 165 is local4.notice."""
    assert [find_severity(m) for m in (b"<165>1 x", b"<0>1 x", b"<191>1 x")] == [5, 0, 7]
