"""The server's answers: such as cannot be read, or with another status. Layer: stand-in."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from emulators.common.impair import Impair, Mend
from emulators.common.yang_json import GET_DATA, OUTPUT, REPORT, encode_binary
from emulators.management.machine import Event, Exchange
from emulators.management.restconf import OPERATIONS, Request, Response

if TYPE_CHECKING:
    from emulators.management.main import ManagementContext

PATHS = {"data": f"{OPERATIONS}/{GET_DATA}", "report": f"{OPERATIONS}/{REPORT}"}
Alter = Callable[[Request, Exchange], Exchange]


def offer(bench: ManagementContext) -> dict[str, Impair]:
    server = bench.server

    def garble(how: str) -> Mend:
        """Send bootstrapping data that cannot be read (a name of `GARBLED`)."""
        return begin(lambda request, exchange: garble_data(request, exchange, how))

    def answer_report(kind: str, status: int) -> Mend:
        """Answer one kind of progress report with another status than 204."""
        return begin(lambda request, exchange: answer_otherwise(request, exchange, kind, int(status)))

    def begin(alter: Alter) -> Mend:
        server.alterations.append(alter)
        return lambda: server.alterations.remove(alter)

    return {"garble": garble, "answer_report": answer_report}


def garble_data(request: Request, exchange: Exchange, how: str) -> Exchange:
    if request.path != PATHS["data"] or exchange.response.status != 200:
        return exchange
    return replace(exchange, response=GARBLED[how](exchange.response))


def _send_page(response: Response) -> Response:
    """What a maintenance page in front of a server is: 200, in HTML."""
    page = b"<!DOCTYPE html><html><body><h1>Back soon</h1></body></html>"
    return replace(response, headers={"Content-Type": "text/html"}, body=page)


def _cut_short(response: Response) -> Response:
    """Half of it, and said to be the whole."""
    return replace(response, body=response.body[: len(response.body) // 2])


def _leave_out(response: Response) -> Response:
    """An output without its mandatory member (RFC 8572 section 7.3: conveyed-information)."""
    return replace(response, body=json.dumps({OUTPUT: {"reporting-level": "verbose"}}).encode())


def _break_artifact(response: Response) -> Response:
    """Good JSON, and inside it what is no CMS structure (RFC 5652 section 3)."""
    output: dict[str, Any] = {"reporting-level": "verbose", "conveyed-information": encode_binary(b"not what it was")}
    return replace(response, body=json.dumps({OUTPUT: output}).encode())


GARBLED: dict[str, Callable[[Response], Response]] = {
    "page": _send_page,
    "cut_short": _cut_short,
    "no_member": _leave_out,
    "broken_artifact": _break_artifact,
}


def answer_otherwise(request: Request, exchange: Exchange, kind: str, status: int) -> Exchange:
    if request.path != PATHS["report"] or exchange.response.status != 204:
        return exchange
    if not any(e.kind == "report.received" and e.data["progress_type"] == kind for e in exchange.events):
        return exchange
    events = tuple(Event(e.kind, {**e.data, "status": status}) if "status" in e.data else e for e in exchange.events)
    return Exchange(replace(exchange.response, status=status, body=b"OK"), events)
