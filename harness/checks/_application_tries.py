"""What the application firewall is tried with: what must work, and what must not (applications). Layer: checks, pure.

Each try is one line of the probe ``try_applications``. What must not work is near to what must: the same server by
another name, the same name at another port, and so on. Not here: what comes of them (applications.py).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from emulators.common.controls import Application, Applications
from harness.checks._vantages import INTERNET_NODE, is_open, is_wide_open, list_all_clients
from harness.core.app_names import (
    HTTPS_PORT,
    OTHER_HOST,
    OTHER_NAME,
    find_host,
    find_spare_port,
    list_hosts,
    list_services,
    list_strangers,
)
from harness.core.entries import Evidence
from harness.core.model import Ask, Plan
from harness.core.sections import Segment
from harness.stages._shared import ask_lease, label_lease

NAME = "applications"
TRY_S = 2.5
FORGET, SEEN = f"{NAME}.forget", f"{NAME}.seen"
SPLIT, RECORDS = 64, 12
"""Octets a TCP segment, and a TLS record, of a ClientHello that is cut: into more segments than anybody would hold back
at once, into so small records that a server's name lies across several."""
HTTP_PORT = 80  # RFC 9110 section 4.2.1


@dataclass(frozen=True, slots=True)
class AppTry:
    """One try. `text`: what it is, for people. `works`: whether the control lets it through."""

    text: str
    works: bool
    kind: str
    host: str
    port: int
    server_name: str | None = None
    split: int = 0
    records: int = 0
    cut_name: bool = False

    def build(self, token: str) -> dict[str, Any]:
        """Return the line for the probe."""
        line: dict[str, Any] = {"kind": self.kind, "host": self.host, "port": self.port, "token": token}
        return (
            line
            | {"server_name": self.server_name, "split": self.split, "records": self.records}
            | {"cut_name": self.cut_name}
        )


def list_tries(control: Applications, segment: Segment, far: bool = True) -> tuple[AppTry, ...]:
    """Return all tries of a segment's client; only what the matrix opens there can work. `far`: somebody elsewhere who
    is not held back tries too; without, datagrams that must not get through prove nothing and are left out (a node's
    own ones do not pass the link on which its answerer listens)."""
    found: list[AppTry] = []
    for application in control.allowed:
        found += _list_allowed(application, segment)
        if application.by == "tls":
            found += _list_near_tls(control, application)
        elif application.by == "dns":
            found += _list_near_dns(control, application)
    found += _list_anything(control)
    return tuple(one for one in found if far or one.works or one.kind != "udp")


def _list_allowed(application: Application, segment: Segment) -> Iterator[AppTry]:
    name, services = application.name, list_services(application)
    for protocol, port in services:
        if not is_open(segment, "internet", f"{protocol}/{port}"):
            continue
        if application.by == "port":
            yield AppTry(f"{name} ({protocol}/{port})", True, protocol, OTHER_HOST, port)
        elif application.by == "dns":
            for host in list_hosts(application)[:2]:
                yield AppTry(f"{name} ({host}, {protocol}/{port})", True, protocol, host, port)
        elif protocol == "tcp":
            for host in list_hosts(application)[:3]:
                yield AppTry(f"{name} ({host}, port {port})", True, "tls", host, port, host)
            host = list_hosts(application)[0]
            cut = f"{name} ({host}, port {port}), ClientHello cut into"
            yield AppTry(f"{cut} segments", True, "tls", host, port, host, split=SPLIT)
            yield AppTry(f"{cut} two within the name", True, "tls", host, port, host, cut_name=True)
            yield AppTry(f"{cut} records", True, "tls", host, port, host, records=RECORDS)


def _list_near_tls(control: Applications, application: Application) -> Iterator[AppTry]:
    """The server that is allowed, but not in the way that it is."""
    port = next((port for protocol, port in list_services(application) if protocol == "tcp"), HTTPS_PORT)
    name, host = list_hosts(application)[0], find_host(control, application)
    what = f"{application.name}'s server"
    yield AppTry(f"{what} without a server name", False, "tls", host, port)
    yield AppTry(f"{what} by another name", False, "tls", host, port, OTHER_NAME)
    yield AppTry(f"{what} by another name, cut into segments", False, "tls", host, port, OTHER_NAME, split=SPLIT)
    yield AppTry(f"{what} by another name, cut within it", False, "tls", host, port, OTHER_NAME, cut_name=True)
    yield AppTry(f"{what} by another name, cut into records", False, "tls", host, port, OTHER_NAME, records=RECORDS)
    for stranger in list_strangers(control, application)[:3]:
        yield AppTry(f"{what} by the name {stranger}", False, "tls", host, port, stranger)
    spare = find_spare_port(control)
    yield AppTry(f"{what} at port {spare}", False, "tls", host, spare, name)
    yield AppTry(f"{what} by plain HTTP at port {port}", False, "http", host, port, name)
    yield AppTry(f"{what} by anything but TLS at port {port}", False, "tcp", host, port)
    if not _opens(control, f"tcp/{HTTP_PORT}"):
        yield AppTry(f"{what} by plain HTTP at port {HTTP_PORT}", False, "http", host, HTTP_PORT, name)
    if not _opens(control, f"udp/{HTTPS_PORT}"):
        yield AppTry(f"{what} by QUIC", False, "quic", host, HTTPS_PORT)


def _list_near_dns(control: Applications, application: Application) -> Iterator[AppTry]:
    for protocol, port in list_services(application)[:1]:
        service = f"{protocol}/{port}"
        if _opens(control, service, by="port"):
            continue
        yield AppTry(f"another server than {application.name}'s at {service}", False, protocol, OTHER_HOST, port)
        for stranger in list_strangers(control, application)[:1]:
            yield AppTry(f"{stranger} at {service}", False, protocol, stranger, port)
    spare, host = find_spare_port(control), find_host(control, application)
    yield AppTry(f"{application.name}'s server at port {spare}", False, "tcp", host, spare)


def _list_anything(control: Applications) -> Iterator[AppTry]:
    """What no application has to do with."""
    if not _opens(control, f"tcp/{HTTPS_PORT}", by="port"):
        yield AppTry(f"{OTHER_NAME} by TLS", False, "tls", OTHER_NAME, HTTPS_PORT, OTHER_NAME)
    spare = find_spare_port(control)
    yield AppTry(f"{OTHER_NAME} at port {spare}", False, "tls", OTHER_NAME, spare, OTHER_NAME)
    if not _opens(control, f"udp/{HTTPS_PORT}"):
        yield AppTry(f"{OTHER_NAME} by QUIC", False, "quic", OTHER_NAME, HTTPS_PORT)
    yield AppTry(f"{OTHER_NAME} at udp/{spare}", False, "udp", OTHER_NAME, spare)


def _opens(control: Applications, service: str, by: str = "") -> bool:
    return any(service in a.open and by in ("", a.by) for a in control.allowed)


# ---------------------------------------------------------------- who tries


def list_bound(plan: Plan) -> tuple[tuple[str, Segment], ...]:
    """Return one client of each segment behind the firewall that may reach the internet."""
    control = plan.branch.applications
    found: dict[str, tuple[str, Segment]] = {}
    for client, segment in list_all_clients(plan):
        if control is not None and segment.name in control.segments and segment.may_reach("internet"):
            found.setdefault(segment.name, (client, segment))
    return tuple(found.values())


def find_free(plan: Plan) -> tuple[str, Segment] | None:
    """Return a client that no firewall of this kind stands before, and whom the matrix opens all of the internet."""
    control = plan.branch.applications
    return next(
        (
            (client, segment)
            for client, segment in list_all_clients(plan)
            if control is not None and segment.name not in control.segments and is_wide_open(segment, "internet")
        ),
        None,
    )


def list_controls(plan: Plan, node: str) -> tuple[AppTry, ...]:
    """Return every try that must not work, each once: those who are not bound must find that it does. (A node's own
    datagrams do not pass the link on which its answerer listens.)"""
    control = plan.branch.applications
    tries = (t for _, segment in list_bound(plan) for t in list_client_tries(plan, segment)) if control else iter(())
    return tuple(dict.fromkeys(t for t in tries if not t.works and (node != INTERNET_NODE or t.kind != "udp")))


def list_client_tries(plan: Plan, segment: Segment) -> tuple[AppTry, ...]:
    control = plan.branch.applications
    return list_tries(control, segment, far=find_free(plan) is not None) if control else ()


# ---------------------------------------------------------------- what is asked


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    free = find_free(plan)
    clients = [client for client, _ in (*list_bound(plan), *([free] if free else []))]
    leases = tuple(ask_lease(client) for client in clients if evidence.find_answer(label_lease(client)) is None)
    if leases:
        return leases
    control = plan.branch.applications
    forget = Ask(INTERNET_NODE, "applications_seen", {"forget": True}, FORGET)
    if control is None or evidence.find_answer(FORGET) is None:
        return (forget,)
    bound = [_ask_tries(client, list_client_tries(plan, segment), client) for client, segment in list_bound(plan)]
    if any(evidence.find_answer(ask.label) is None for ask in bound):
        return (forget, *bound)
    seen = Ask(INTERNET_NODE, "applications_seen", {}, SEEN)
    if evidence.find_answer(SEEN) is None:
        return (forget, *bound, seen)
    others = [INTERNET_NODE, *([free[0]] if free else [])]
    return (forget, *bound, seen, *(_ask_tries(node, list_controls(plan, node), node) for node in others))


def _ask_tries(node: str, tries: tuple[AppTry, ...], who: str) -> Ask:
    lines = [one.build(f"{NAME}.{place}") for place, one in enumerate(tries)]
    return Ask(node, "try_applications", {"tries": lines, "timeout_s": TRY_S}, label_tries(who))


def label_tries(who: str) -> str:
    return f"{NAME}.{who}"
