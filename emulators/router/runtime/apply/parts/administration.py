"""Administration by SSH: OpenSSH, public keys only, one account, never root.

The account is not in the image: the name service reads it from /run (libnss-extrausers, whose accounts start at uid
500). It owns nothing and has no terminal, since giving one away would need CAP_CHOWN, which the device does without:
it may run commands. Host keys are made once, at the first configuration, and stay on the flash.
"""

from __future__ import annotations

from pathlib import Path

from emulators.common.device_config import DeviceConfig
from emulators.common.supervise import Daemon, Keeper, run, write_private

from ..base import Files, Ground, Part, Running, Situation

CONF, KEYS = "/run/etc/ssh/sshd_config", "/run/etc/ssh/authorized_keys"
PASSWD, SHADOW, GROUP = "/run/extrausers/passwd", "/run/extrausers/shadow", "/run/extrausers/group"
PID = "/run/sshd.pid"
OPERATOR_UID = 1000  # Debian Policy 9.2.2: the first that is no system account
READY_S = 3.0
PUBLIC = frozenset({PASSWD, GROUP, KEYS})
"""Read by sshd's children after they became the account."""


def render(config: DeviceConfig, _situation: Situation) -> Files:
    """Return sshd's configuration, the account and its keys; nothing when there is no administration."""
    administration = config.administration
    if administration is None:
        return {}
    user = administration.user
    conf = [
        "AddressFamily inet",
        "ListenAddress 0.0.0.0",
        "HostKey {host_key}",
        f"PidFile {PID}",
        f"AuthorizedKeysFile {KEYS}",
        "AuthenticationMethods publickey",
        "PasswordAuthentication no",
        "KbdInteractiveAuthentication no",
        "PermitRootLogin no",
        f"AllowUsers {user}",
        "UsePAM no",
        "UseDNS no",
        "PermitTTY no",
        "AllowTcpForwarding no",
        "AllowAgentForwarding no",
        "X11Forwarding no",
        "PermitTunnel no",
        "PermitUserRC no",
        "PrintLastLog no",
        "LogLevel VERBOSE",
        "LoginGraceTime 20",
        "MaxAuthTries 3",
    ]
    return {
        CONF: "\n".join(conf) + "\n",
        KEYS: "".join(f"{key.strip()}\n" for key in administration.public_keys),
        PASSWD: f"{user}:x:{OPERATOR_UID}:{OPERATOR_UID}:operator:/:/bin/sh\n",
        SHADOW: f"{user}:*:20000:0:99999:7:::\n",
        GROUP: f"{user}:x:{OPERATOR_UID}:\n",
    }


def start(_config: DeviceConfig, _situation: Situation, files: Files, ground: Ground) -> Running:
    """Start sshd, where the configuration has an administration."""
    if not files:
        return Running(stop=lambda: None)
    host_key = make_host_key(ground.flash_dir / "ssh")
    Path("/run/sshd").mkdir(mode=0o755, exist_ok=True)  # sshd(8): the empty directory that its children are shut in
    for path, text in files.items():
        write_private(Path(path), text.replace("{host_key}", str(host_key)), 0o644 if path in PUBLIC else 0o600)
    Path(PID).unlink(missing_ok=True)
    keeper = Keeper(Daemon("sshd", ("/usr/sbin/sshd", "-D", "-f", CONF))).start()

    def stop() -> None:
        keeper.stop()
        for path in (PASSWD, SHADOW, GROUP, KEYS):
            Path(path).unlink(missing_ok=True)

    try:
        keeper.wait_ready(Path(PID).exists, READY_S)
    except BaseException:
        stop()
        raise
    return Running(stop=stop)


def make_host_key(directory: Path) -> Path:
    """Return the device's host key, made now if it has none yet."""
    path = directory / "host_ed25519"
    if not path.exists():
        directory.mkdir(parents=True, exist_ok=True, mode=0o700)
        draft = directory / "host_ed25519.new"
        draft.unlink(missing_ok=True)
        run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "", "-f", str(draft)])
        draft.replace(path)
    return path


PART = Part(name="administration", section="administration", wave=1, render=render, start=start)
