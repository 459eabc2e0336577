"""Alerts: what stands on the device, what management makes of it, and the way to the webhook (on the loopback)."""

from __future__ import annotations

import asyncio
import json
import threading

import pytest
from aiohttp import web

from emulators.common.alert_report import MOST_ALERTS, Standing, parse_report, render_report
from emulators.common.controls import AlertCondition, Alerts
from emulators.common.outage import render_cut
from emulators.internet.webhook import Webhook
from emulators.management.alert_sender import AlertSender
from emulators.management.alerts import SILENT_BEATS, Alert, AlertDesk
from emulators.router.runtime.alert_conditions import QUIET_S, Conditions

DEVICE = "SK-000017"
DOWN, LOCKED = Standing("tunnel_down", "headquarters"), Standing("lockout", "10.200.0.10")


def ask_for(*conditions: str, webhook: str = "http://alerts.skerry.example/x") -> Alerts:
    return Alerts(webhook, tuple(AlertCondition(c, 5.0) for c in conditions))  # type: ignore[arg-type]


# ---------------------------------------------------------------- the device


def test_what_stands_on_a_device():
    conditions = Conditions()
    every = ("tunnel_down", "lockout", "threat", "uplink_failover")
    conditions.on_event("tunnel.down", {}, 1.0)
    conditions.on_event("source.blocked", {"source": "10.200.0.10"}, 1.0)
    assert conditions.list_standing(every) == {DOWN, LOCKED}
    assert conditions.list_standing(("lockout",)) == {LOCKED}
    conditions.on_event("tunnel.up", {}, 2.0)
    conditions.on_event("source.released", {"source": "10.200.0.11"}, 2.0)
    assert conditions.list_standing(every) == {LOCKED}
    conditions.on_uplink("cellular", ("ethernet", "cellular"))
    conditions.on_uplink(None, ("ethernet", "cellular"))
    assert Standing("uplink_failover", "ethernet") in conditions.list_standing(every)
    conditions.on_uplink("ethernet", ("ethernet", "cellular"))
    assert conditions.list_standing(every) == {LOCKED}


def test_a_threat_stands_until_it_has_been_quiet():
    conditions = Conditions()
    seen = {"signature": "test-file", "source": "10.20.10.100"}
    conditions.on_event("threat.detected", seen, 10.0)
    conditions.on_event("threat.detected", seen, 12.0)
    assert conditions.wake_at() == 12.0 + QUIET_S
    conditions.on_time(12.0 + QUIET_S - 0.1)
    assert conditions.list_standing(("threat",)) == {Standing("threat", "test-file from 10.20.10.100")}
    conditions.on_time(12.0 + QUIET_S)
    assert not conditions.list_standing(("threat",))
    assert conditions.wake_at() is None


@pytest.mark.parametrize("message", [None, "", "heartbeat", "{", '{"alerts": 3}', '{"alerts": [{"condition": "x"}]}'])
def test_messages_that_say_nothing_of_alerts(message):
    assert parse_report(message) is None


def test_a_report_comes_back_as_it_went_and_stays_short():
    assert parse_report(render_report({DOWN, LOCKED})) == {DOWN, LOCKED}
    assert parse_report(render_report(())) == frozenset()
    many = {Standing("lockout", f"10.0.0.{n} " + "x" * 200) for n in range(100)}
    text = render_report(many)
    assert len(text) < 2000
    assert len(parse_report(text) or ()) == MOST_ALERTS


# ---------------------------------------------------------------- management


def test_each_condition_is_raised_once_and_cleared_once():
    desk = AlertDesk(ask_for("tunnel_down", "lockout"), 2.0)
    raised = [Alert(DEVICE, "tunnel_down", "headquarters", "raised")]
    assert desk.on_report(DEVICE, frozenset({DOWN}), 1.0) == raised
    assert desk.on_report(DEVICE, frozenset({DOWN}), 2.0) == []
    both = desk.on_report(DEVICE, frozenset({LOCKED}), 3.0)
    assert [(a.condition, a.state) for a in both] == [("tunnel_down", "cleared"), ("lockout", "raised")]
    assert [a.state for a in desk.on_report(DEVICE, frozenset(), 4.0)] == ["cleared"]
    assert desk.on_report(DEVICE, frozenset(), 5.0) == []


def test_only_what_is_asked_for_is_raised_but_what_was_raised_is_cleared():
    desk = AlertDesk(ask_for("tunnel_down"), 2.0)
    assert desk.on_report(DEVICE, frozenset({LOCKED}), 1.0) == []
    assert len(desk.on_report(DEVICE, frozenset({DOWN}), 1.0)) == 1
    desk.ask_for(None)
    assert [a.state for a in desk.on_report(DEVICE, frozenset(), 2.0)] == ["cleared"]
    assert desk.on_report(DEVICE, frozenset({DOWN}), 3.0) == []


def test_a_device_is_silent_after_so_many_heartbeats_and_no_sooner():
    desk = AlertDesk(ask_for("device_silent"), 2.0)
    assert desk.wake_at() is None  # nobody is missed who never came
    desk.on_sign(DEVICE, 10.0)
    due_s = 10.0 + SILENT_BEATS * 2.0
    assert desk.wake_at() == due_s
    assert desk.on_time(due_s - 0.01) == []
    assert desk.on_time(due_s) == [Alert(DEVICE, "device_silent", DEVICE, "raised")]
    assert desk.on_time(due_s + 60.0) == []
    assert desk.wake_at() is None
    assert desk.on_sign(DEVICE, due_s + 61.0) == [Alert(DEVICE, "device_silent", DEVICE, "cleared")]
    assert desk.on_sign(DEVICE, due_s + 62.0) == []


def test_a_device_cannot_say_of_itself_that_it_is_silent():
    desk = AlertDesk(ask_for("device_silent"), 2.0)
    assert desk.on_report(DEVICE, frozenset({Standing("device_silent", DEVICE)}), 1.0) == []


# ---------------------------------------------------------------- the webhook


class Told:
    def __init__(self) -> None:
        self.events: list[tuple[str, dict]] = []
        self.enough = threading.Event()

    def emit(self, kind: str, /, **data: object) -> None:
        self.events.append((kind, data))
        if len(self.events) >= 2:
            self.enough.set()


def test_alerts_reach_the_webhook_in_order_and_once_though_it_fails_at_first():
    """The first answer is 503 after the event was taken: the sender sends it again, the receiver knows its id."""
    told, ready, requests = Told(), threading.Event(), []
    loop = asyncio.new_event_loop()

    async def serve() -> None:
        hook = Webhook(told, "/branches")  # type: ignore[arg-type]

        async def take(request: web.Request) -> web.Response:
            requests.append(json.loads(await request.read())["id"])
            answer = await hook._take(request)
            return web.Response(status=503) if len(requests) == 1 else answer

        app = web.Application()
        app.router.add_post("/branches", take)
        runner = web.AppRunner(app)
        await runner.setup()
        await web.TCPSite(runner, "127.0.0.1", 0).start()
        serve.port = runner.addresses[0][1]  # type: ignore[attr-defined]
        ready.set()
        await stop.wait()
        await runner.cleanup()

    stop = asyncio.Event()
    thread = threading.Thread(target=lambda: loop.run_until_complete(serve()), daemon=True)
    thread.start()
    assert ready.wait(5.0)
    webhook = f"http://127.0.0.1:{serve.port}/branches"  # type: ignore[attr-defined]
    sender = AlertSender(ask_for("tunnel_down", webhook=webhook), 2.0, "https://ztp.skerry.example", ())
    sender.start()
    sender.on_heartbeat(DEVICE, frozenset({DOWN}))
    sender.on_heartbeat(DEVICE, frozenset())
    assert told.enough.wait(5.0)
    loop.call_soon_threadsafe(stop.set)
    thread.join(5.0)
    loop.close()
    assert [(k, d["condition"], d["state"], d["device"]) for k, d in told.events] == [
        ("alert.received", "tunnel_down", "raised", DEVICE),
        ("alert.received", "tunnel_down", "cleared", DEVICE),
    ]
    assert len(requests) == 3 and len(set(requests)) == 2


def test_a_cut_link_drops_both_ways():
    text = render_cut("radio")
    assert 'iifname "radio" drop' in text and 'oifname "radio" drop' in text
