"""Sends alerts to the operator's webhook, in order, each until it is taken. Layer: stand-in, I/O (HTTP, DNS, clock).

CloudEvents 1.0 in HTTP's structured mode. One that is sent again keeps its `id`, by which the receiver knows it. The
webhook's name is asked of the seed's name servers. Not here: which alerts (alerts.py), the format (cloudevents.py).
"""

from __future__ import annotations

import http.client
import queue
import socket
import ssl
import threading
import time
import uuid
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlsplit

from emulators.common.alert_report import Standing
from emulators.common.cloudevents import MEDIA_TYPE, CloudEvent, render_event
from emulators.common.controls import Alerts
from emulators.common.probes import find_address
from emulators.common.record import from_json
from emulators.common.service import log
from emulators.management.alerts import Alert, AlertDesk

TYPE_PREFIX = "example.branch.alert"
"""Types are prefixed with a reversed domain name (specification, attribute `type`); the domain is RFC 2606's."""
TIMEOUT_S = 5.0
PAUSES_S = (0.5, 1.0, 2.0, 4.0, 8.0)  # common practice: doubling, capped
MOST_TRIES = 12


class AlertSender:
    """Keeps the desk's time and sends what it says. Thread-safe."""

    def __init__(
        self,
        alerts: Alerts | None,
        heartbeat_s: float,
        origin: str,
        name_servers: Sequence[str],
        ca_pem: str | None = None,
    ) -> None:
        self._desk, self._webhook = AlertDesk(alerts, heartbeat_s), alerts.webhook if alerts else None
        self._origin, self._name_servers, self._ca_pem = origin, tuple(name_servers), ca_pem
        self._changed = threading.Condition()
        self._outgoing: queue.Queue[CloudEvent] = queue.Queue()

    def start(self) -> None:
        """Begin to look at the clock, and to send."""
        for target in (self._watch, self._send):
            threading.Thread(target=target, name=f"alerts {target.__name__}", daemon=True).start()

    def ask_for(self, alerts: Alerts | None) -> None:
        """Raise other alerts, or send them elsewhere, from now on."""
        with self._changed:
            self._desk.ask_for(alerts)
            self._webhook = alerts.webhook if alerts else None
            self._changed.notify_all()

    def on_heartbeat(self, device: str, standing: frozenset[Standing] | None) -> None:
        """A device gave a sign of life; `standing`: what it says that stands, None where it says nothing of it."""
        now_s = time.monotonic()
        with self._changed:
            if standing is None:
                self._tell(self._desk.on_sign(device, now_s))
            else:
                self._tell(self._desk.on_report(device, standing, now_s))
            self._changed.notify_all()

    def _watch(self) -> None:
        with self._changed:
            while True:
                wake_s = self._desk.wake_at()
                self._changed.wait(None if wake_s is None else max(0.0, wake_s - time.monotonic()))
                self._tell(self._desk.on_time(time.monotonic()))

    def _tell(self, alerts: list[Alert]) -> None:
        for alert in alerts:
            self._outgoing.put(build_event(alert, self._origin, str(uuid.uuid4()), datetime.now(UTC)))

    def _send(self) -> None:
        while True:
            event = self._outgoing.get()
            for turn in range(MOST_TRIES):
                webhook = self._webhook
                if webhook is None:
                    break
                try:
                    status = post(webhook, render_event(event), self._name_servers, self._ca_pem)
                    if 200 <= status < 300:
                        break
                    log(f"alert {event.id}: {webhook} answered {status}")
                except (OSError, http.client.HTTPException, ValueError, LookupError) as error:
                    log(f"alert {event.id}: {webhook}: {type(error).__name__}: {error}")
                time.sleep(PAUSES_S[min(turn, len(PAUSES_S) - 1)])
            else:
                log(f"alert {event.id}: given up after {MOST_TRIES} tries")


def read_alerts(settings: Mapping[str, Any] | None) -> Alerts | None:
    """Read the alerts of a seed or of a command. Raises: RecordError."""
    return None if settings is None else from_json(Alerts, settings, "alerts")


def start_alerts(settings: Mapping[str, Any]) -> AlertSender:
    """Start what the seed's settings ask for; it runs on where they ask for none, since that may change."""
    origin = f"https://{settings['firmware']['uri_host']}"
    heartbeat_s = float(settings.get("heartbeat_s", settings["config"]["management"]["heartbeat_s"]))
    asked, servers = read_alerts(settings.get("alerts")), settings.get("name_servers", ())
    sender = AlertSender(asked, heartbeat_s, origin, servers, settings.get("webhook_ca_pem"))
    sender.start()
    return sender


def build_event(alert: Alert, origin: str, number: str, at: datetime) -> CloudEvent:
    """Return an alert as an event. `origin`: the server's own URL, below which devices stand."""
    return CloudEvent(
        id=number,
        source=f"{origin}/devices/{alert.device}",
        type=f"{TYPE_PREFIX}.{alert.condition}.{alert.state}",
        subject=alert.subject,
        time=at.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
        datacontenttype="application/json",
        data={"condition": alert.condition, "state": alert.state, "device": alert.device, "subject": alert.subject},
    )


def post(url: str, body: bytes, name_servers: Sequence[str], ca_pem: str | None = None) -> int:
    """POST one event; return the status. `ca_pem`: whose servers are trusted with HTTPS; None: the system's.

    Raises: OSError, HTTPException, LookupError.
    """
    parts = urlsplit(url)
    host, is_tls = parts.hostname or "", parts.scheme == "https"
    address = find_address(host, tuple(name_servers), TIMEOUT_S)
    port = parts.port or (443 if is_tls else 80)
    connection = http.client.HTTPConnection(host, port, timeout=TIMEOUT_S)
    line = socket.create_connection((address, port), TIMEOUT_S)
    try:
        connection.sock = (
            ssl.create_default_context(cadata=ca_pem).wrap_socket(line, server_hostname=host) if is_tls else line
        )
        target = f"{parts.path or '/'}{'?' + parts.query if parts.query else ''}"
        connection.request("POST", target, body, {"Content-Type": f"{MEDIA_TYPE}; charset=UTF-8"})
        return connection.getresponse().status
    finally:
        connection.close()
        line.close()
