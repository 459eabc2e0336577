"""The probe ``ask_names``: many questions for names at once, each by the transport that it says. Layer: stand-in, I/O.

Transports: ``udp`` and ``tcp`` (RFC 1035 section 4.2), ``dot`` (DNS over TLS, RFC 7858), ``doh`` (DNS over HTTPS, RFC
8484, by POST). Certificates are not checked: what is asked is whether a packet gets there, not who answers.
"""

from __future__ import annotations

import contextlib
import http.client
import ipaddress
import socket
import ssl
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import dns.exception
import dns.message
import dns.query
import dns.rcode
import dns.rdatatype

from emulators.common.dns_stream import read_message, write_message

DNS_PORT, DOT_PORT, DOH_PORT = 53, 853, 443  # RFC 1035 section 4.2, RFC 7858 section 3.1, RFC 8484 section 5
DOH_PATH, DOH_TYPE = "/dns-query", "application/dns-message"  # RFC 8484 sections 4.1 (by example) and 6
UDP_TRY_S = 0.5  # a datagram may be lost: asked again until the time is up
LARGEST = 65_535
WORKERS = 12
MOST_QUESTIONS = 4000


def ask_names(
    questions: Sequence[Mapping[str, Any]], find_server: Callable[[], str], timeout_s: float = 2.0
) -> dict[str, Any]:
    """Ask all questions {name, type?, transport?, server?, host?}; `server` is an address, `host` the name that TLS and
    HTTPS are told. ``answers``, in their order: the question with ``outcome`` (``answered``; ``refused``: turned away,
    by a reset or by ICMP; ``silent``), ``rcode``, the ``records`` of the answer and the ``addresses`` among them."""
    if len(questions) > MOST_QUESTIONS:
        raise ValueError(f"questions: expected {MOST_QUESTIONS} at most, saw {len(questions)}")
    servers = [str(question.get("server") or find_server()) for question in questions]
    with ThreadPoolExecutor(WORKERS) as pool:
        jobs = [pool.submit(ask_name, q, server, timeout_s) for q, server in zip(questions, servers, strict=True)]
        answers = [job.result() for job in jobs]
    return {"answers": answers}


def ask_name(question: Mapping[str, Any], server: str, timeout_s: float) -> dict[str, Any]:
    """Ask one question."""
    ipaddress.IPv4Address(server)
    kind, transport = str(question.get("type") or "A"), str(question.get("transport") or "udp")
    asked = {"name": question["name"], "type": kind, "transport": transport, "server": server}
    query = dns.message.make_query(str(question["name"]), dns.rdatatype.from_text(kind))
    host = str(question.get("host") or server)
    try:
        wire = TRANSPORTS[transport](query.to_wire(), server, host, time.monotonic() + timeout_s)
        return asked | read_answer(query, wire)
    except TimeoutError:
        outcome, detail = "silent", None
    except (OSError, http.client.HTTPException, EOFError, dns.exception.DNSException) as error:
        outcome, detail = "refused", f"{type(error).__name__}: {error}"
    return {**asked, "outcome": outcome, "rcode": None, "records": [], "addresses": [], "detail": detail}


def read_answer(query: dns.message.Message, wire: bytes) -> dict[str, Any]:
    """Read an answer. Raises: DNSException where it is none to this query."""
    answer = dns.message.from_wire(wire)
    if not query.is_response(answer):
        raise dns.query.BadResponse  # to another question
    records = [record for rrset in answer.answer for record in rrset]
    addresses = [str(r.address) for r in records if r.rdtype in (dns.rdatatype.A, dns.rdatatype.AAAA)]
    return {
        "outcome": "answered",
        "rcode": dns.rcode.to_text(answer.rcode()),
        "records": [record.to_text() for record in records],
        "addresses": addresses,
        "detail": None,
    }


def _ask_udp(query: bytes, server: str, _host: str, deadline: float) -> bytes:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as line:
        line.connect((server, DNS_PORT))  # so that ICMP's refusal is heard
        while (left_s := deadline - time.monotonic()) > 0:
            line.settimeout(min(UDP_TRY_S, left_s))
            line.send(query)
            with contextlib.suppress(TimeoutError):
                answer = line.recv(LARGEST)
                if answer[:2] == query[:2]:
                    return answer
    raise TimeoutError


def _ask_tcp(query: bytes, server: str, _host: str, deadline: float) -> bytes:
    with _connect(server, DNS_PORT, deadline) as line:
        return _exchange(line, query)


def _ask_tls(query: bytes, server: str, host: str, deadline: float) -> bytes:
    with _connect(server, DOT_PORT, deadline) as line, _wrap(line, host) as safe:
        return _exchange(safe, query)


def _ask_https(query: bytes, server: str, host: str, deadline: float) -> bytes:
    with _connect(server, DOH_PORT, deadline) as line, _wrap(line, host) as safe:
        connection = http.client.HTTPConnection(host)
        connection.sock = safe
        headers = {"Content-Type": DOH_TYPE, "Accept": DOH_TYPE}
        connection.request("POST", DOH_PATH, body=query, headers=headers)
        response = connection.getresponse()
        body = response.read(LARGEST)
        if response.status != 200 or response.headers.get_content_type() != DOH_TYPE:
            raise http.client.HTTPException(f"status {response.status}, {response.headers.get_content_type()}")
        return body


TRANSPORTS: dict[str, Callable[[bytes, str, str, float], bytes]] = {
    "udp": _ask_udp,
    "tcp": _ask_tcp,
    "dot": _ask_tls,
    "doh": _ask_https,
}


@contextlib.contextmanager
def _connect(server: str, port: int, deadline: float) -> Iterator[socket.socket]:
    left_s = max(0.01, deadline - time.monotonic())
    with socket.create_connection((server, port), left_s) as line:
        line.settimeout(max(0.01, deadline - time.monotonic()))
        yield line


def _wrap(line: socket.socket, host: str) -> ssl.SSLSocket:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    return context.wrap_socket(line, server_hostname=host)


def _exchange(line: socket.socket, query: bytes) -> bytes:
    """Ask over a stream: two octets of length before each message (RFC 1035 section 4.2.2)."""
    write_message(line, query)
    return read_message(line)
