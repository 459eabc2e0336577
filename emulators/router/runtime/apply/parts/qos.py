"""Quality of service on the uplink: one queue a class, guaranteed and bounded, and whose markings are believed.

The queues are HTB's with a plain FIFO each; they are the uplink's narrowest place, so that what waits, waits here. All
classes have one priority on purpose: a class below its guarantee goes before any that borrows, and what is left is
shared evenly among those that want it (tc-htb(8)). A packet's class is its code point (RFC 2474) as it leaves: of what
goes into the tunnel the outer header carries the inner one's (RFC 4301 section 5.1.2.1), so tunnel and direct traffic
share one tree, in bytes as the uplink carries them.

This is a boundary in the sense of RFC 2475 section 2.1.1: code points of clients that are not trusted, and those that
no class names, are set to df here, at the first hop. What the device itself needs to keep the branch up (IKE, its own
echoes) is network control, cs6 (RFC 4594 section 3.2).
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from emulators.common.controls import DSCP_VALUES, Qos, QosClass
from emulators.common.device_config import DeviceConfig
from emulators.common.service import log
from emulators.common.supervise import DaemonError, run, write_private

from ..base import Files, Ground, Part, Running, Situation, bridge_of

SCRIPT, QUEUES, TABLE = "/run/etc/qos.nft", "/run/etc/qos.tc", "inet qos"
ROOT_MINOR, FIRST_MINOR = 1, 10
QUANTUM_BYTES = 1514
"""What a class sends in its turn: one packet, so that nobody waits for more than one of each other class."""
BURST_S, LEAST_BURST_BYTES = 0.01, 3028
"""What may leave at once: ten milliseconds' worth, and two packets at least. Common practice, no source."""
QUEUE_S, LEAST_QUEUE, MOST_QUEUE = 0.1, 25, 1000
"""How long a class's queue may be at its ceiling, and within what numbers of packets. Common practice, no source."""
MEAN_BYTES = 1000
SOCKET_PACKETS = 80
"""All queues together, where charon does ESP itself: its one socket holds no more packets than about 90 (212992 bytes,
net.core.wmem_default, at 2304 a packet), and once full it would hold up urgent ones behind the others."""
ETHERNET_BYTES = 14  # IEEE 802.3: counted by the kernel, no part of the IP packet


def render(config: DeviceConfig, situation: Situation) -> Files:
    """Return the scripts for ``nft -f`` and ``tc -batch``; the latter empty while there is no uplink."""
    if config.qos is None:
        return {}
    return {SCRIPT: _render_table(config, config.qos, situation), QUEUES: _render_queues(config.qos, situation)}


def start(config: DeviceConfig, situation: Situation, files: Files, _ground: Ground) -> Running:
    """Load both; follow the uplink. Raises: DaemonError."""
    if config.qos is None:
        return Running(stop=_nothing)
    queues, loaded = _Queues(), [""]

    def load(new: Files, now: Situation) -> None:
        if new[SCRIPT] != loaded[0]:
            write_private(Path(SCRIPT), new[SCRIPT])
            run(["nft", "-f", SCRIPT])
            loaded[0] = new[SCRIPT]
        queues.follow(None if now.uplink is None else now.uplink.interface, new[QUEUES])

    def stop() -> None:
        queues.follow(None, "")
        run(["nft", "-f", "-"], text=f"table {TABLE}\ndelete table {TABLE}\n")

    try:
        load(files, situation)
    except BaseException:
        stop()
        raise
    return Running(stop=stop, refresh=load)


class _Queues:
    """The queues, on one interface at a time."""

    def __init__(self) -> None:
        self._interface: str | None = None
        self._loaded = ""

    def follow(self, interface: str | None, script: str) -> None:
        """Bring the queues to an interface, or take them away. One that was made anew has lost them."""
        if self._interface is not None and self._interface != interface:
            _remove(self._interface)
            self._loaded = ""
        self._interface = interface
        if interface is None or (script == self._loaded and _is_there(interface)):
            return
        _remove(interface)
        write_private(Path(QUEUES), script)
        run(["tc", "-batch", QUEUES])
        self._loaded = script


def _is_there(interface: str) -> bool:
    with suppress(DaemonError):
        return "qdisc htb 1: root" in run(["tc", "qdisc", "show", "dev", interface])
    return False


def _remove(interface: str) -> None:
    if _is_there(interface):
        try:
            run(["tc", "qdisc", "del", "dev", interface, "root"])
        except DaemonError as error:  # gone with its interface in between
            log(f"qos: {error}")


def _nothing() -> None:
    """Undo nothing: the profile sets no classes."""


def _render_queues(qos: Qos, situation: Situation) -> str:
    if situation.uplink is None:
        return ""
    device = f"dev {situation.uplink.interface}"
    size = f" stab overhead -{ETHERNET_BYTES} linklayer ethernet" if situation.uplink.kind == "ethernet" else ""
    whole = _render_rate(qos.uplink_bps, qos.uplink_bps)
    lines = [
        f"qdisc add {device} root handle 1:{size} htb default {_minor(find_default(qos))}",
        f"class add {device} parent 1: classid 1:{ROOT_MINOR} htb {whole}",
    ]
    for index, one in enumerate(qos.classes):
        minor, rate = _minor(index), _render_rate(one.guaranteed_bps, one.ceiling_bps)
        limit = count_places(qos, one, userspace=situation.means == "userspace")
        lines += [
            f"class add {device} parent 1:{ROOT_MINOR} classid 1:{minor} htb {rate} prio 0 quantum {QUANTUM_BYTES}",
            f"qdisc add {device} parent 1:{minor} handle {minor}: pfifo limit {limit}",
        ]
    return "\n".join(lines) + "\n"


def _render_rate(rate_bps: int, ceiling_bps: int) -> str:
    burst, most = (max(LEAST_BURST_BYTES, round(bps * BURST_S / 8)) for bps in (rate_bps, ceiling_bps))
    return f"rate {rate_bps}bit ceil {ceiling_bps}bit burst {burst} cburst {most}"


def count_places(qos: Qos, one: QosClass, *, userspace: bool) -> int:
    """Return how many packets a class's queue holds."""
    most = SOCKET_PACKETS // len(qos.classes) if userspace else MOST_QUEUE
    return min(most, max(LEAST_QUEUE, round(one.ceiling_bps * QUEUE_S / 8 / MEAN_BYTES)))


def find_default(qos: Qos) -> int:
    """Return the place of the class that takes what no other names: df's, or else the last."""
    return next((i for i, one in enumerate(qos.classes) if "df" in one.dscp), len(qos.classes) - 1)


def _render_table(config: DeviceConfig, qos: Qos, situation: Situation) -> str:
    lines = [
        f"table {TABLE}",
        f"delete table {TABLE}",
        f"table {TABLE} {{",
        *_chain("trust", "filter hook forward priority mangle + 10", _render_trust(config, qos)),
        *_chain("own", "filter hook output priority mangle + 10", _render_own()),
        *_chain("sorting", "filter hook postrouting priority 250", _render_sorting(qos, situation)),
        "}",
    ]
    return "\n".join(lines) + "\n"


def _render_trust(config: DeviceConfig, qos: Qos) -> list[str]:
    trusted = [f'"{bridge_of(segment)}"' for segment in config.segments if segment.name in qos.trusted]
    others = [f'"{bridge_of(segment)}"' for segment in config.segments if segment.name not in qos.trusted]
    known = sorted({DSCP_VALUES[name] for one in qos.classes for name in one.dscp} | {DSCP_VALUES["df"]})
    rules = []
    if others:
        rules.append(f"iifname {{ {', '.join(others)} }} ip dscp != 0 ip dscp set 0")
    if trusted:
        rules.append(f"iifname {{ {', '.join(trusted)} }} ip dscp != {_set(known)} ip dscp set 0")
    return rules


def _render_own() -> list[str]:
    cs6 = f"ip dscp set {DSCP_VALUES['cs6']}"
    return [
        f"udp dport 500 {cs6}",  # RFC 7296 section 2
        f"udp dport 4500 @th,64,32 0 {cs6}",  # RFC 3948 section 2.2: four zero octets mark IKE
        f"icmp type echo-request {cs6}",
    ]


def _render_sorting(qos: Qos, situation: Situation) -> list[str]:
    if situation.uplink is None:
        return []
    rules = [
        f'oifname != "{situation.uplink.interface}" return',
        f"meta priority set 1:{_minor(find_default(qos))}",
    ]
    if not any("cs6" in one.dscp for one in qos.classes):
        rules.append(f"ip dscp {DSCP_VALUES['cs6']} meta priority set 1:{_minor(0)}")
    for index, one in enumerate(qos.classes):
        values = sorted(DSCP_VALUES[name] for name in one.dscp)
        rules.append(f"ip dscp {_set(values)} meta priority set 1:{_minor(index)}")
    return rules


def _minor(index: int) -> int:
    return FIRST_MINOR + index


def _set(values: list[int]) -> str:
    return f"{{ {', '.join(str(value) for value in values)} }}"


def _chain(name: str, head: str, rules: list[str]) -> list[str]:
    return [f"  chain {name} {{", f"    type {head}; policy accept;", *(f"    {rule}" for rule in rules), "  }"]


PART = Part(name="qos", section="qos", wave=0, render=render, start=start)
