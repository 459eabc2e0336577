"""The probes: what a client, the HQ endpoint and the internet can be asked to try. Layer: stand-in, I/O.

Each is a verb (DEVELOPERS.md, "Probes"). What a probe finds is its result, whatever it is; it raises only where it
could not be tried (a bad argument, no such program). Names are resolved by `name_servers`, never by the system's
resolver: the only names of a bench are those that the bench serves. SSH and SNMP stand in modules of their own
(probes_ssh.py, probes_snmp.py): an image without their libraries just does not offer them.
"""

from __future__ import annotations

import hashlib
import http.client
import importlib
import ipaddress
import os
import re
import socket
import subprocess
import time
import urllib.parse
from collections.abc import Callable
from typing import Any

import dns.exception
import dns.message
import dns.query
import dns.rcode
import dns.rdatatype

from emulators.common.icmp_echo import LEAST_BYTES
from emulators.common.probes_applications import build_application_probes
from emulators.common.probes_largest import find_largest_packet
from emulators.common.probes_names import ask_names
from emulators.common.service import Handler, log

DNS_PORT = 53  # RFC 1035 section 4.2
DNS_TRY_S = 1.0  # a datagram may be lost: asked again each second until the time is up
READ_BYTES = 64 * 1024

OPTIONAL = {
    "exchange": "exchange",
    "ssh": "probes_ssh",
    "knock": "probes_knock",
    "lockout_trial": "probes_log_ins",
    "password_trial": "probes_log_ins",
    "snmp_get": "probes_snmp",
    "snmp_tries": "probes_snmp",
    "udp_stream": "probes_streams",
    "udp_listen": "probes_streams",
    "udp_collect": "probes_streams",
}
"""Verbs that an image offers only where the libraries of their modules are in it."""

NameServers = Callable[[], tuple[str, ...]]


class ProbeError(RuntimeError):
    """A probe could not be tried."""


def build_probes(name_servers: NameServers = tuple) -> dict[str, Handler]:
    """Return the handlers of the probe verbs. `name_servers` says whom to ask for names, at the time of asking."""

    def locate(host: str, timeout_s: float) -> str:
        return find_address(host, name_servers(), timeout_s)

    def fetch_url(url: str, timeout_s: float = 10.0) -> dict[str, Any]:
        return fetch(url, timeout_s, locate)

    def resolve_name(name: str, server: str | None = None, timeout_s: float = 5.0) -> dict[str, Any]:
        return resolve(name, server or _first(name_servers()), timeout_s)

    def ask(questions: list[dict[str, Any]], timeout_s: float = 2.0) -> dict[str, Any]:
        return ask_names(questions, lambda: _first(name_servers()), timeout_s)

    verbs: dict[str, Handler] = {
        "ping": ping,
        "largest": find_largest_packet,
        "fetch_url": fetch_url,
        "open_tcp": open_tcp,
        "resolve": resolve_name,
        "ask_names": ask,
    }
    verbs |= build_application_probes(locate)
    for verb, module in OPTIONAL.items():
        try:
            verbs[verb] = getattr(importlib.import_module(f"emulators.common.{module}"), verb)
        except ImportError as error:
            log(f"no verb {verb} here: {error}")
    return verbs


# ---------------------------------------------------------------- ping


def ping(
    target: str,
    *,
    count: int = 3,
    interval_s: float = 0.2,
    bytes: int = 84,  # noqa: A002 - the verb's word
    df: bool = False,
    timeout_s: float = 2.0,
) -> dict[str, Any]:
    """Send `count` echoes of `bytes` (IPv4 packet size) and count the answers. `timeout_s` is for the last of them."""
    ipaddress.IPv4Address(target)
    if bytes < LEAST_BYTES:
        raise ValueError(f"bytes: expected at least {LEAST_BYTES}, saw {bytes}")
    whole_s = count * interval_s + timeout_s
    command = ["ping", "-n", "-c", str(count), "-i", f"{interval_s:.3f}", "-s", str(bytes - LEAST_BYTES)]
    command += ["-W", f"{timeout_s:.3f}", "-M", "do" if df else "dont", target]
    # Without a preloaded clock: kernel stamps and the program's own must be of one clock.
    environment = {k: v for k, v in os.environ.items() if k != "LD_PRELOAD"} | {"LC_ALL": "C"}
    try:
        done = subprocess.run(
            command, capture_output=True, text=True, check=False, env=environment, timeout=whole_s + 10
        )
    except subprocess.TimeoutExpired as error:
        raise ProbeError(f"ping {target}: did not end {whole_s + 10:.0f} s after it began") from error
    return parse_ping(done.stdout, done.stderr)


def parse_ping(output: str, errors: str = "") -> dict[str, Any]:
    """Read what iputils ping printed. Raises: ProbeError where it holds no count (it never got to send)."""
    counts = re.search(r"(\d+) packets transmitted, (\d+) received", output)
    if counts is None:
        if "Network is unreachable" in errors:  # no route: nothing could be sent, which is a finding
            return {"sent": 0, "received": 0, "rtts_ms": [], "note": errors.strip()}
        raise ProbeError(f"expected ping's count, saw {(errors or output).strip()[-300:]!r}")
    lines = [line for line in output.splitlines() if "icmp_seq=" in line and "(DUP!)" not in line]
    rtts = [float(m[1]) for line in lines if (m := re.search(r"bytes from .* time=([\d.]+) ms", line))]
    notes = [line for line in lines if "bytes from" not in line] + errors.strip().splitlines()
    return {
        "sent": int(counts[1]),
        "received": int(counts[2]),
        "rtts_ms": rtts,
        "note": notes[0].strip() if notes else None,
    }


# ---------------------------------------------------------------- TCP and HTTP


def open_tcp(target: str, port: int, timeout_s: float = 3.0) -> dict[str, Any]:
    """Try to open a TCP connection. ``refused``: a reset came back; ``silent``: nothing did, or no way there."""
    ipaddress.IPv4Address(target)
    outcome, detail = connect_outcome(target, port, timeout_s)
    return {"outcome": outcome, "detail": detail}


def connect_outcome(target: str, port: int, timeout_s: float) -> tuple[str, str | None]:
    """Return (``open`` | ``refused`` | ``silent``, the system's words where not open)."""
    try:
        socket.create_connection((target, port), timeout_s).close()
    except OSError as error:
        return classify_connect_error(error), f"{type(error).__name__}: {error}"
    return "open", None


def classify_connect_error(error: OSError) -> str:
    """Return ``refused`` for an answer in the negative, else ``silent`` (time out, unreachable)."""
    return "refused" if isinstance(error, ConnectionRefusedError | ConnectionResetError) else "silent"


def fetch(url: str, timeout_s: float, locate: Callable[[str, float], str]) -> dict[str, Any]:
    """Fetch a URL (http only) and digest its body. ``status`` is 0 where no answer came; ``error`` then says why.

    ``took_s`` is from the first SYN to the last byte. A body cut short is an error, with what came of it.
    """
    parts = urllib.parse.urlsplit(url)
    if parts.scheme != "http" or parts.hostname is None:
        raise ValueError(f"url: expected http://HOST[:PORT]/PATH, saw {url!r}")
    result: dict[str, Any] = {"status": 0, "bytes": 0, "sha256": None, "took_s": None, "error": None}
    try:
        address = locate(parts.hostname, timeout_s)
    except LookupError as error:
        return {**result, "error": str(error)}
    started = time.monotonic()
    connection = http.client.HTTPConnection(address, parts.port or 80, timeout=timeout_s)
    path = urllib.parse.urlunsplit(("", "", parts.path or "/", parts.query, ""))
    digest = hashlib.sha256()
    try:
        connection.request("GET", path, headers={"Host": parts.netloc})
        response = connection.getresponse()
        result["status"] = response.status
        while chunk := response.read(READ_BYTES):
            digest.update(chunk)
            result["bytes"] += len(chunk)
            if time.monotonic() - started > timeout_s:
                raise TimeoutError(f"not whole after {timeout_s} s")
        if response.length:
            raise http.client.IncompleteRead(b"", response.length)
    except (OSError, http.client.HTTPException) as error:
        result["error"] = f"{type(error).__name__}: {error}"
    finally:
        connection.close()
    return {**result, "sha256": digest.hexdigest(), "took_s": round(time.monotonic() - started, 6)}


# ---------------------------------------------------------------- names


def resolve(name: str, server: str, timeout_s: float = 5.0) -> dict[str, Any]:
    """Ask `server` for the IPv4 addresses of a name. ``rcode`` is the answer's, or ``TIMEOUT`` or ``UNREACHABLE``.

    Asked over UDP, again each second, and over TCP when the answer is cut (RFC 1035 section 4.2, RFC 7766 section 5).
    """
    ipaddress.ip_address(server)
    query = dns.message.make_query(name, dns.rdatatype.A)
    deadline = time.monotonic() + timeout_s
    while (left_s := deadline - time.monotonic()) > 0:
        try:
            answer, _ = dns.query.udp_with_fallback(query, server, timeout=min(DNS_TRY_S, left_s))
        except dns.exception.Timeout:
            continue
        except OSError as error:
            return {"addresses": [], "rcode": "UNREACHABLE", "detail": f"{type(error).__name__}: {error}"}
        records = [r for rrset in answer.answer if rrset.rdtype == dns.rdatatype.A for r in rrset]
        return {"addresses": [str(r.address) for r in records], "rcode": dns.rcode.to_text(answer.rcode())}
    return {"addresses": [], "rcode": "TIMEOUT"}


def find_address(host: str, servers: tuple[str, ...], timeout_s: float) -> str:
    """Return the address of a host given by address or name. Raises: LookupError."""
    try:
        return str(ipaddress.IPv4Address(host))
    except ValueError:
        pass
    answer = resolve(host, _first(servers), timeout_s)
    if not answer["addresses"]:
        raise LookupError(f"no address for {host}: {servers[0]} said {answer['rcode']}")
    return str(answer["addresses"][0])


def _first(servers: tuple[str, ...]) -> str:
    if not servers:
        raise LookupError("no name server is known here: give one, or get a lease first")
    return servers[0]
