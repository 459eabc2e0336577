"""Tells management what alert conditions stand, at once when that changes. Layer: runtime (full release), I/O.

Over RESTCONF as everything else, as a progress report `informational`. Every change is told, in order, each until a
server took it. Not here: what a condition is (alert_conditions.py), the text (emulators.common.alert_report).
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

from emulators.common.alert_report import Standing, render_report
from emulators.common.device_config import DeviceConfig
from emulators.common.service import log
from emulators.common.yang_json import INPUT, REPORT

from .alert_conditions import Conditions
from .bootstrap_effects import Answer, Server
from .bootstrap_http import HttpClient
from .bootstrap_machine import OPERATIONS
from .heartbeat import build_servers

PAUSE_S = 0.5
TIMEOUT_S = 3.0
"""For a server's answer: an alert is worth asking anew soon, over another uplink perhaps."""
MOST_UNTOLD = 100
"""Reports kept while management cannot be reached; the newest always is."""


class AlertReporter:
    """Hears every event of the device (`on_event`) and each change of the uplink (`on_uplink`); any thread."""

    def __init__(
        self, client: HttpClient, config: Callable[[], DeviceConfig | None], known: tuple[Server, ...]
    ) -> None:
        self._client, self._config, self._known = client, config, known
        self._changed = threading.Condition()
        self._conditions = Conditions()
        self._uplink: str | None = None
        self._told: frozenset[Standing] = frozenset()
        self._untold: deque[frozenset[Standing]] = deque(maxlen=MOST_UNTOLD)
        self._untold.append(self._told)  # after a restart nothing stands: management may think otherwise

    def start(self) -> None:
        """Begin to tell."""
        threading.Thread(target=self._run, name="alerts", daemon=True).start()

    def on_event(self, kind: str, data: Mapping[str, Any]) -> None:
        """Take one event of the console."""
        with self._changed:
            self._conditions.on_event(kind, data, time.monotonic())
            self._note()

    def on_uplink(self, kind: str | None) -> None:
        """Take another uplink in use, or none."""
        self._client.drop()
        with self._changed:
            self._uplink = kind
            self._note()

    def _note(self) -> None:
        config = self._config()
        if config is None or config.alerts is None:
            return
        self._conditions.on_uplink(self._uplink, config.uplinks.order)
        standing = self._conditions.list_standing(c.condition for c in config.alerts.conditions)
        if standing != self._told:
            self._told = standing
            self._untold.append(standing)
            self._changed.notify_all()

    def _run(self) -> None:
        while True:
            with self._changed:
                while not self._untold or self._config() is None:
                    self._changed.wait(self._find_wait())
                    self._conditions.on_time(time.monotonic())
                    self._note()
                report = self._untold[0]
            if self._tell(report):
                with self._changed:
                    if self._untold and self._untold[0] is report:
                        self._untold.popleft()
            else:
                time.sleep(PAUSE_S)  # nothing tells when a server can be reached again

    def _find_wait(self) -> float:
        wake_s = self._conditions.wake_at()
        return PAUSE_S if wake_s is None else max(0.01, min(PAUSE_S, wake_s - time.monotonic()))

    def _tell(self, report: frozenset[Standing]) -> bool:
        config = self._config()
        if config is None or config.alerts is None:
            return config is not None
        body = {INPUT: {"progress-type": "informational", "message": render_report(report)}}
        for server in build_servers(config.management.servers, self._known):
            answer = self._client.post(server, OPERATIONS + REPORT, body)
            if isinstance(answer, Answer) and answer.status == 204:
                return True
            log(f"alerts: {server}: {answer}")
        return False
