"""The tunnel to headquarters: IKEv2 and ESP by strongSwan's charon.

Here is the daemon; tunnel_keeper.py keeps asking for the tunnel, connection.py says what for.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from emulators.common.charon import CONF, remove_interface, start_charon
from emulators.common.device_config import DeviceConfig
from emulators.common.supervise import DaemonError
from emulators.common.swanctl import render_charon

from ..base import Files, Ground, Part, Running, Situation
from ..tunnel_keeper import TunnelKeeper

DSCP_PRELOAD = Path("/usr/lib/branchproof/espdscp.so")
"""Has charon's own ESP copy the inner code point outside: RFC 4301 section 5.1.2.1 (compose/espdscp.c)."""


def render(_config: DeviceConfig, situation: Situation) -> Files:
    """Return charon's settings; the connection itself goes over its control socket."""
    return {str(CONF): render_charon(situation.means, "charon")}


def start(config: DeviceConfig, situation: Situation, files: Files, ground: Ground) -> Running:
    """Start charon and the keeper of the tunnel; does not wait for the tunnel."""
    preload = DSCP_PRELOAD if situation.means == "userspace" else None  # a kernel copies it by itself
    keeper = TunnelKeeper(config, situation.means, situation.uplink, ground)
    daemon = start_charon(files[str(CONF)], keeper.on_line, preload)

    def stop() -> None:
        keeper.stop()
        daemon.stop()
        with suppress(DaemonError):
            remove_interface(situation.means)

    try:
        keeper.start()
    except BaseException:
        stop()
        raise
    return Running(stop=stop, refresh=lambda _files, new: keeper.on_situation(new))


PART = Part(name="tunnel", section="tunnel", wave=1, render=render, start=start)
