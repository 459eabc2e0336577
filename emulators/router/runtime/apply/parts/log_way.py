"""The log's way to its server, open while it may be: the last part to start and the first to stop.

What is on its way to the log server must not outlive the tunnel and the packet filter, which would else let it out in
clear. Not here: what waits for the way (logs.py, ../log_gate.py).
"""

from __future__ import annotations

from emulators.common.device_config import DeviceConfig

from ..base import Files, Ground, Part, Running, Situation
from .logs import open_way, shut_way


def render(_config: DeviceConfig, _situation: Situation) -> Files:
    """Return nothing: no daemon of its own."""
    return {}


def start(config: DeviceConfig, situation: Situation, _files: Files, _ground: Ground) -> Running:
    """Open the way if it may be."""
    open_way(config, situation)
    return Running(stop=shut_way, refresh=lambda _files, new: open_way(config, new))


PART = Part(name="log_way", section="logging", wave=9, render=render, start=start)
