"""Monitoring by SNMPv3: net-snmp's agent, users with authentication and privacy only, who read
what the views hold.

RFC 3414 wants an engine's ID and its count of boots to outlast a reboot, so the agent's own state stays on the flash;
its users do not: what it kept of them is struck out before each start, and the configuration's are made anew.
"""

from __future__ import annotations

from pathlib import Path

from emulators.common.device_config import DeviceConfig
from emulators.common.supervise import Daemon, Keeper, write_private

from ..base import Files, Ground, Part, Running, Situation

CONF, USERS = "/run/etc/snmp/snmpd.conf", "/run/etc/snmp/users.conf"
PID = "/run/snmpd.pid"
READY_S = 3.0
AUTH = {"sha": "SHA", "sha256": "SHA-256", "sha512": "SHA-512"}  # RFC 3414 7, RFC 7860 4
PRIV = {"aes128": "AES"}  # RFC 3826
KEPT = ("engineBoots", "oldEngineID", "engineIDType", "setserialno")
VIEW = "branch"


def render(config: DeviceConfig, _situation: Situation) -> Files:
    """Return the agent's configuration and, apart from it, its users' secrets; nothing without monitoring."""
    monitoring = config.monitoring
    if monitoring is None:
        return {}
    conf = [
        "agentAddress udp:161",
        f"sysName {config.hostname}",
        f"sysLocation {monitoring.location}",
        f"sysContact {monitoring.contact}",
        "sysServices 4",  # RFC 3418: 2^(L-1), L = 3, a router
        *(f"view {VIEW} included .{oid}" for oid in monitoring.views),
        *(f"rouser {user.name} authPriv -V {VIEW}" for user in monitoring.users),
    ]
    users = [
        f'createUser {user.name} {AUTH[user.auth]} "{user.auth_key}" {PRIV[user.priv]} "{user.priv_key}"'
        for user in monitoring.users
    ]
    return {CONF: "\n".join(conf) + "\n", USERS: "".join(f"{line}\n" for line in users)}


def keep_engine(state: str) -> str:
    """Return the lines of the agent's state that make it the same engine, without its users."""
    return "".join(f"{line}\n" for line in state.splitlines() if line.startswith(KEPT))


def start(_config: DeviceConfig, _situation: Situation, files: Files, ground: Ground) -> Running:
    """Start snmpd, where the configuration has a monitoring."""
    if not files:
        return Running(stop=lambda: None)
    directory = ground.flash_dir / "snmp"
    state = directory / "snmpd.conf"
    kept = keep_engine(state.read_text("utf-8")) if state.exists() else ""
    write_private(state, kept + files[USERS])
    write_private(Path(CONF), files[CONF])
    Path(PID).unlink(missing_ok=True)
    argv = ("snmpd", "-f", "-Lsd", "-p", PID, "-I", "-smux,mteTrigger,mteTriggerConf")
    # found by path and not named by -c with -C, which would keep the agent from its own state (snmpd(8))
    environment = {
        "SNMPCONFPATH": f"{Path(CONF).parent}:{directory}",
        "SNMP_PERSISTENT_DIR": str(directory),
        "MIBS": "",
    }
    keeper = Keeper(Daemon("snmpd", argv, environment)).start()

    def stop() -> None:
        keeper.stop()
        if state.exists():
            write_private(state, keep_engine(state.read_text("utf-8")))

    try:
        keeper.wait_ready(Path(PID).exists, READY_S)
    except BaseException:
        stop()
        raise
    return Running(stop=stop)


PART = Part(name="monitoring", section="monitoring", wave=1, render=render, start=start)
