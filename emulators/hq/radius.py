"""Headquarters' RADIUS server: FreeRADIUS, with what the branch's clients are to be asked. Layer: stand-in, I/O;
`render_*` and `parse_answer` are pure.

EAP-TLS (RFC 5216) and PEAP with MSCHAPv2, for the users of the seed. The server knows nothing of what a segment takes:
that is the device's to hold. Each answer is an event ``radius.answered``: the outside witness of who was let in.

Everything lies below /run and the daemon keeps root's own rights, which in the lab are hardly any: it has no file that
another account owns. FreeRADIUS's own directory is left alone.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from emulators.common.service import Console, Handler
from emulators.common.supervise import Daemon, Keeper, write_private

HOME = Path("/run/radius")
READY_WORDS = "Ready to process requests"
READY_S = 8.0
EAP_NAMES = {"13": "tls", "TLS": "tls", "EAP-TLS": "tls", "25": "peap", "PEAP": "peap", "EAP-PEAP": "peap"}
"""Types of the IANA registry of EAP methods: 13 EAP-TLS, 25 PEAP."""
_ANSWER = re.compile(r"answered (accept|reject) (\S*) (\S*) (.*)")
_WORD = re.compile(r"[A-Za-z0-9@._-]{1,64}")
_SECRET = re.compile(r"[^\x00-\x1f\x7f\"\\$%`]{1,128}")


def parse_answer(line: str) -> dict[str, str] | None:
    """Return the event's data of a line of the answers' log, None for any other line."""
    found = _ANSWER.search(line)
    if found is None:
        return None
    outcome, eap, station, user = found.groups()
    mac = station.replace("-", ":").lower()
    return {"user": user, "outcome": outcome, "eap": EAP_NAMES.get(eap, eap.lower()), "mac": mac}


def render_radius(settings: Mapping[str, Any], branch_subnets: list[str], home: Path = HOME) -> dict[str, str]:
    """Return file name to text. Raises: ValueError for a text that FreeRADIUS would read as more than a word."""
    certificates = settings["certificates"]
    return {
        "radiusd.conf": _render_main(settings, branch_subnets, home),
        "users": "".join(_render_user(user) for user in settings["users"]),
        "server.pem": certificates["certificate_pem"],
        "server.key": certificates["key_pem"],
        "ca.pem": certificates["client_ca_pem"],
    }


def _render_user(user: Mapping[str, Any]) -> str:
    name = _check(_WORD, user["user"])
    password = user.get("password")
    return f'{name} Cleartext-Password := "{_check(_SECRET, password)}"\n' if password else ""


def _check(pattern: re.Pattern[str], text: Any) -> str:
    if not pattern.fullmatch(str(text)):
        raise ValueError("a RADIUS user, password or secret holds a character that its file gives a meaning to")
    return str(text)


def _render_main(settings: Mapping[str, Any], branch_subnets: list[str], home: Path) -> str:
    secret = _check(_SECRET, settings["secret"])
    clients = "".join(
        f'client branch{index} {{\n  ipaddr = {subnet}\n  secret = "{secret}"\n'
        "  require_message_authenticator = yes\n}\n"
        for index, subnet in enumerate(branch_subnets)
    )
    return (
        _MAIN.replace("@HOME@", str(home)).replace("@PORT@", str(int(settings["port"]))).replace("@CLIENTS@", clients)
    )


class RadiusServer:
    """The daemon, up or down as asked."""

    def __init__(self, console: Console, settings: Mapping[str, Any], branch_subnets: list[str]) -> None:
        self._console, self._files = console, render_radius(settings, branch_subnets)
        self._ready, self._lock = threading.Event(), threading.Lock()
        self._keeper: Keeper | None = None

    def start(self) -> None:
        """Start it and wait until it takes questions. Raises: DaemonError."""
        with self._lock:
            if self._keeper is not None:
                return
            for name, text in self._files.items():
                write_private(HOME / name, text)
            self._ready.clear()
            argv = ("freeradius", "-f", "-l", "stdout", "-d", str(HOME), "-n", "radiusd")
            keeper = Keeper(Daemon("freeradius", argv, on_line=self._take)).start()
            try:
                keeper.wait_ready(self._ready.is_set, READY_S)
            except BaseException:
                keeper.stop()
                raise
            self._keeper = keeper

    def stop(self) -> None:
        """End it; what is asked then gets no answer."""
        with self._lock:
            keeper, self._keeper = self._keeper, None
            if keeper is not None:
                keeper.stop()

    def verbs(self) -> dict[str, Handler]:
        """Return the handler of ``radius``: takes the server down and up again."""

        def radius(running: bool) -> dict[str, bool]:
            (self.start if running else self.stop)()
            return {"running": self._keeper is not None}

        return {"radius": radius}

    def _take(self, line: str) -> None:
        if READY_WORDS in line:
            self._ready.set()
        answer = parse_answer(line)
        if answer is not None:
            self._console.emit("radius.answered", **answer)


_MAIN = """\
prefix = /usr
libdir = /usr/lib/freeradius
run_dir = @HOME@
logdir = @HOME@
max_request_time = 5
cleanup_delay = 2
max_requests = 1024
hostname_lookups = no
log {
  destination = stdout
  auth = no
}
security {
  allow_core_dumps = no
  reject_delay = 0
  status_server = yes
}
@CLIENTS@
thread pool {
  start_servers = 2
  max_servers = 4
  min_spare_servers = 1
  max_spare_servers = 2
}
modules {
  files {
    filename = @HOME@/users
  }
  mschap {
  }
  pap {
  }
  linelog answers {
    filename = /dev/stdout
    permissions = 0600
    format = "answered accept %{EAP-Type} %{Calling-Station-Id} %{User-Name}"
  }
  linelog refusals {
    filename = /dev/stdout
    permissions = 0600
    format = "answered reject %{EAP-Type} %{Calling-Station-Id} %{User-Name}"
  }
  eap {
    default_eap_type = tls
    timer_expire = 60
    ignore_unknown_eap_types = no
    tls-config common {
      private_key_file = @HOME@/server.key
      certificate_file = @HOME@/server.pem
      ca_file = @HOME@/ca.pem
      cipher_list = "DEFAULT"
      ecdh_curve = "prime256v1"
      tls_min_version = "1.2"
      tls_max_version = "1.2"
      check_cert_cn = "%{User-Name}"
      cache {
        enable = no
      }
    }
    tls {
      tls = common
    }
    peap {
      tls = common
      default_eap_type = mschapv2
      copy_request_to_tunnel = no
      use_tunneled_reply = no
      virtual_server = inner
    }
    mschapv2 {
    }
  }
}
server default {
  listen {
    type = auth
    ipaddr = *
    port = @PORT@
  }
  authorize {
    eap {
      ok = return
    }
    files
    pap
  }
  authenticate {
    Auth-Type PAP {
      pap
    }
    eap
  }
  post-auth {
    answers
    Post-Auth-Type REJECT {
      refusals
    }
  }
}
server inner {
  authorize {
    eap {
      ok = return
    }
    files
  }
  authenticate {
    Auth-Type MS-CHAP {
      mschap
    }
    eap
  }
}
"""
