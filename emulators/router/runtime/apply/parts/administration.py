"""Administration by SSH: OpenSSH, one account, never root; by key, and by password where the configuration has one.

The account is not in the image: the name service reads it from /run (libnss-extrausers, whose accounts start at uid
500). It owns nothing and has no terminal, since giving one away would need CAP_CHOWN, which the device does without:
it may run commands, through operator_shell.py, which knows some more. Host keys are made once, at the first
configuration, and stay on the flash, as the changed password does.

sshd's log comes out of sshd itself, so that the lock-out works whatever becomes of the log's daemon, and is handed on
to that. Not here: passwords (password_store.py) and blocked sources (source_blocks.py).
"""

from __future__ import annotations

import syslog
from collections.abc import Callable
from pathlib import Path
from typing import Any

from emulators.common.device_config import Administration, DeviceConfig
from emulators.common.supervise import Daemon, Keeper, run, write_private

from .. import operator_shell
from ..base import Files, Ground, Part, Running, Situation
from ..device_log import note
from ..operator_desk import Desk, Handlers
from ..password_rules import ANYTHING
from ..password_store import PasswordStore
from ..source_blocks import Guard
from .firewall import SSH_PORT

CONF, KEYS, SHELL = "/run/etc/ssh/sshd_config", "/run/etc/ssh/authorized_keys", "/run/etc/ssh/operator_shell.py"
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
    return {
        CONF: "\n".join(_render_conf(administration)) + "\n",
        KEYS: "".join(f"{key.strip()}\n" for key in administration.public_keys),
        PASSWD: f"{user}:x:{OPERATOR_UID}:{OPERATOR_UID}:operator:/:/bin/sh\n",
        SHADOW: render_shadow(user, "*"),
        GROUP: f"{user}:x:{OPERATOR_UID}:\n",
    }


def _render_conf(administration: Administration) -> list[str]:
    by_password = administration.password is not None
    methods = [*(["publickey"] if administration.public_keys or not by_password else []), *["password"] * by_password]
    word = "yes" if by_password else "no"
    return [
        "AddressFamily inet",
        "ListenAddress 0.0.0.0",
        "HostKey {host_key}",
        f"PidFile {PID}",
        f"AuthorizedKeysFile {KEYS}",
        f"AuthenticationMethods {' '.join(methods)}",
        f"PasswordAuthentication {word}",
        f"UsePAM {word}",
        "KbdInteractiveAuthentication no",
        "PermitEmptyPasswords no",
        "PermitRootLogin no",
        f"AllowUsers {administration.user}",
        f"ForceCommand /usr/bin/python3 -I -S {SHELL}",
        "ExposeAuthInfo yes",
        "UseDNS no",
        "PermitTTY no",
        "AllowTcpForwarding no",
        "AllowAgentForwarding no",
        "AllowStreamLocalForwarding no",
        "X11Forwarding no",
        "PermitTunnel no",
        "PermitUserRC no",
        "PrintLastLog no",
        "LogLevel VERBOSE",
        "LoginGraceTime 20",
        "MaxAuthTries 3",
    ]


def render_shadow(user: str, hashed: str) -> str:
    """Return shadow(5) for the account; its password never gets old (NIST SP 800-63B section 5.1.1.2)."""
    return f"{user}:{hashed}:20000:0:99999:7:::\n"


def start(config: DeviceConfig, _situation: Situation, files: Files, ground: Ground) -> Running:
    """Start sshd and all that belongs to it, where the configuration has an administration."""
    administration = config.administration
    if administration is None:
        return Running(stop=lambda: None)
    undo: list[Callable[[], None]] = []

    def stop() -> None:
        while undo:
            undo.pop()()

    try:
        _start(administration, files, ground, undo)
    except BaseException:
        stop()
        raise
    return Running(stop=stop)


def _start(administration: Administration, files: Files, ground: Ground, undo: list[Callable[[], None]]) -> None:
    undo.append(_remove_files)
    _write_files(files, make_host_key(ground.flash_dir / "ssh"))
    guard = None
    if administration.lockout is not None:
        guard = Guard(administration.lockout, SSH_PORT, ground.console)
        undo.append(guard.stop)
    store = _open_store(administration, ground.flash_dir)
    desk = Desk(_build_handlers(administration.user, store, guard), OPERATOR_UID)
    undo.append(desk.stop)

    def on_line(line: str) -> None:
        if guard is not None:
            guard.on_line(line)
        note(syslog.LOG_INFO, line, syslog.LOG_AUTHPRIV, "sshd")

    # Its lines come back from the log's daemon: as they are printed none is for the node's log.
    keeper = Keeper(Daemon("sshd", ("/usr/sbin/sshd", "-D", "-e", "-f", CONF), on_line=on_line, hushed="")).start()
    undo.append(keeper.stop)
    keeper.wait_ready(Path(PID).exists, READY_S)


def _write_files(files: Files, host_key: Path) -> None:
    Path("/run/sshd").mkdir(mode=0o755, exist_ok=True)  # sshd(8): the empty directory that its children are shut in
    for path, text in files.items():
        write_private(Path(path), text.replace("{host_key}", str(host_key)), 0o644 if path in PUBLIC else 0o600)
    write_private(Path(SHELL), Path(operator_shell.__file__).read_text(encoding="utf-8"), 0o644)
    Path(PID).unlink(missing_ok=True)


def _remove_files() -> None:
    for path in (PASSWD, SHADOW, GROUP, KEYS, SHELL):
        Path(path).unlink(missing_ok=True)


def _open_store(administration: Administration, flash_dir: Path) -> PasswordStore | None:
    if administration.password is None:
        return None
    user = administration.user

    def on_change(hashed: str) -> None:
        write_private(Path(SHADOW), render_shadow(user, hashed))

    path = flash_dir / "administration" / "password.json"
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    return PasswordStore(path, user, administration.password, administration.passwords or ANYTHING, on_change)


def _build_handlers(user: str, store: PasswordStore | None, guard: Guard | None) -> Handlers:
    def tell_state(_question: dict[str, Any]) -> dict[str, Any]:
        return {"must_change": store is not None and store.must_change}

    def change(question: dict[str, Any]) -> dict[str, Any]:
        if store is None:
            raise ValueError("this device lets nobody in by password")
        fault = store.change(str(question["old"]), str(question["new"]))
        if fault is not None:
            return {"ok": False, "word": fault.word, "reason": fault.reason}
        note(syslog.LOG_NOTICE, f"password of {user} changed", syslog.LOG_AUTHPRIV)
        return {}

    def reset(_question: dict[str, Any]) -> dict[str, Any]:
        if store is None:
            raise ValueError("this device lets nobody in by password")
        store.reset()
        note(syslog.LOG_NOTICE, f"password of {user} reset to the first one", syslog.LOG_AUTHPRIV)
        return {}

    def show(_question: dict[str, Any]) -> dict[str, Any]:
        return {"blocked": guard.list_blocked() if guard is not None else []}

    def release(question: dict[str, Any]) -> dict[str, Any]:
        return {"released": guard.release(question.get("source")) if guard is not None else []}

    return {
        "state": tell_state,
        "change-password": change,
        "reset-password": reset,
        "show-blocked": show,
        "release-blocked": release,
    }


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
