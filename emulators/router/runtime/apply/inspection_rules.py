"""What is put before the inspector, and what becomes of its verdicts: nftables and iptables. Layer: firmware, pure.

Three chains of one table: `before` marks packets with what is asked of them (inspection/marks.py); netfilter's queue
takes the marked ones; `after` refuses what was refused and keeps on the connection what need not be asked again. All
lie before the packet filter proper, which still judges whatever passes here: these rules only refuse.

Laws: a marked packet that the inspector has not seen is dropped, whatever the reason. A connection that an earlier
configuration judged is judged anew (the generation in its mark). The queue's own rule is iptables', since nft's needs
a kernel with NFT_QUEUE; both name their marks alike.
"""

from __future__ import annotations

from emulators.common.controls import ANY, Application, Applications
from emulators.common.device_config import DeviceConfig

from .base import Situation, bridge_of
from .inspection import marks

TABLE = "inet inspection"
IPTABLES_CHAIN = "INSPECTION"
HOOKS = ("FORWARD", "OUTPUT")
EARLIER_PRIORITY, LATER_PRIORITY = "mangle - 10", "mangle + 5"
"""Around the queue's, which is iptables' table mangle."""
MOST_ADDRESSES = 65_535
DNS_PORT = 53


def render_table(config: DeviceConfig, situation: Situation, generation: int) -> str:
    """Return the script for ``nft -f``. `generation`: 1 to marks.GENERATIONS, another than the one before."""
    applications = config.applications
    lines = [
        f"table {TABLE}",
        f"flush table {TABLE}",  # the rules; addresses that were found stay
        f"table {TABLE} {{",
        *(line for name in find_sets(applications) for line in _render_set(name)),
        *_chain("naming", None, _render_naming(applications) if applications else []),
        *_chain("watching", None, _render_watching()),
        *_chain("before", f"forward priority {EARLIER_PRIORITY}", _render_before(config, situation, generation)),
        *_chain("answers", f"output priority {EARLIER_PRIORITY}", _render_answers(config)),
        *_chain("after", f"forward priority {LATER_PRIORITY}", _render_after()),
        "}",
    ]
    return "\n".join(lines) + "\n"


def render_queue() -> str:
    """Return the text for ``iptables-nft-restore --noflush``: marked packets wait for a verdict."""
    lines = ["*mangle", f":{IPTABLES_CHAIN} - [0:0]", f"-F {IPTABLES_CHAIN}"]
    lines.append(f"-A {IPTABLES_CHAIN} -m mark ! --mark 0x0/{marks.ASKED:#x} -j NFQUEUE --queue-num {marks.QUEUE}")
    lines += [f"-A {hook} -j {IPTABLES_CHAIN}" for hook in HOOKS]
    return "\n".join([*lines, "COMMIT", ""])


def find_names(applications: Applications | None) -> dict[str, list[str]]:
    """Return TCP port to the server names that are allowed on it."""
    found: dict[str, list[str]] = {}
    for application in applications.allowed if applications else ():
        if application.by == "tls":
            for service in application.open:
                protocol, _, port = service.partition("/")
                if protocol == "tcp":
                    found.setdefault(port, []).extend(application.names)
    return found


def find_sets(applications: Applications | None) -> dict[str, list[str]]:
    """Return the filter's sets of addresses, with the names whose answers fill them."""
    allowed = applications.allowed if applications else ()
    return {_set_of(place): list(a.names) for place, a in enumerate(allowed) if a.by == "dns"}


def _render_before(config: DeviceConfig, situation: Situation, generation: int) -> list[str]:
    ours = generation << marks.GENERATION_SHIFT
    of_ours = marks.GENERATIONS << marks.GENERATION_SHIFT
    rules = [f"ct mark and {of_ours:#x} != {ours:#x} ct mark set {ours:#x}"]
    watched = set(config.threats.segments) if config.threats else set()
    for bridge in [bridge_of(s) for s in config.segments if s.name in watched]:
        rules += [f'iifname "{bridge}" oifname != "{bridge}" jump watching']
        rules += [f'oifname "{bridge}" iifname != "{bridge}" jump watching']
    bridges = _bridges(config)
    if bridges and situation.uplink is not None:
        inside = ", ".join(config.tunnel.remote_subnets)
        way = f'oifname "{situation.uplink.interface}" ip daddr != {{ {inside} }}'
        rules.append(f"iifname {bridges} {way} jump naming")
        ports = ", ".join(find_names(config.applications))
        if ports:  # no server speaks before it is named
            back = f'iifname "{situation.uplink.interface}" oifname {bridges} ip saddr != {{ {inside} }}'
            unnamed = f"ct direction reply ct mark and {marks.CT_NAMED | marks.CT_ADDRESSED:#x} == 0"
            rules.append(f"{back} {unnamed} tcp sport {{ {ports} }} meta mark set meta mark or {marks.ASK_NAME:#x}")
    return rules


def _render_watching() -> list[str]:
    return [
        f"ct direction original ct mark and {marks.DONE_ORIGINAL:#x} != 0 return",
        f"ct direction reply ct mark and {marks.DONE_REPLY:#x} != 0 return",
        f"meta l4proto {{ tcp, udp }} meta mark set meta mark or {marks.ASK_THREAT:#x}",
    ]


def _render_naming(applications: Applications) -> list[str]:
    rules = [f"ct mark and {marks.CT_NAMED | marks.CT_ADDRESSED:#x} != 0 return"]
    for application in applications.allowed:
        if application.by == "port":
            rules += [f"{match} return" for match in _match(application)]
    for place, application in enumerate(applications.allowed):
        if application.by == "dns":
            to = f"ip daddr @{_set_of(place)}"
            keep = f"ct mark set ct mark or {marks.CT_ADDRESSED:#x}"
            rules += [f"{to} {match} {keep} return" for match in _match(application)]
    ports = ", ".join(find_names(applications))
    if ports:
        rules.append(f"tcp dport {{ {ports} }} meta mark set meta mark or {marks.ASK_NAME:#x} return")
    return [*rules, f"meta mark set meta mark or {marks.REFUSE:#x}"]


def _match(application: Application) -> list[str]:
    matches = []
    for service in application.open:
        protocol, _, port = service.partition("/")
        if service == ANY:
            matches.append("meta l4proto { icmp, tcp, udp }")
        else:
            matches.append("meta l4proto icmp" if protocol == "icmp" else f"{protocol} dport {int(port)}")
    return matches


def _render_answers(config: DeviceConfig) -> list[str]:
    bridges = _bridges(config)
    if not bridges or not find_sets(config.applications):
        return []
    return [f"oifname {bridges} udp sport {DNS_PORT} meta mark set meta mark or {marks.ASK_ANSWER:#x}"]


def _render_after() -> list[str]:
    kept = (
        (marks.NAMED, "", marks.CT_NAMED),
        (marks.DONE, "ct direction original ", marks.DONE_ORIGINAL),
        (marks.DONE, "ct direction reply ", marks.DONE_REPLY),
    )
    asked = marks.ASK_NAME | marks.ASK_THREAT
    return [
        f"meta mark and {asked:#x} != 0 meta mark and {marks.PASSED:#x} == 0 counter drop",
        f"meta mark and {marks.REFUSE:#x} != 0 meta l4proto tcp counter reject with tcp reset",
        f"meta mark and {marks.REFUSE:#x} != 0 counter reject with icmpx admin-prohibited",
        *(f"{way}meta mark and {bit:#x} != 0 ct mark set ct mark or {flag:#x}" for bit, way, flag in kept),
        f"meta mark set meta mark and {~marks.ALL & 0xFFFFFFFF:#x}",
    ]


def _bridges(config: DeviceConfig) -> str:
    """Return the set of bridges that the application firewall stands before; empty for none."""
    named = set(config.applications.segments) if config.applications else set()
    bridges = [f'"{bridge_of(segment)}"' for segment in config.segments if segment.name in named]
    return f"{{ {', '.join(bridges)} }}" if bridges else ""


def _set_of(place: int) -> str:
    return f"application_{place}"


def _render_set(name: str) -> list[str]:
    return [f"  set {name} {{", "    type ipv4_addr", f"    size {MOST_ADDRESSES}", "  }"]


def _chain(name: str, hook: str | None, rules: list[str]) -> list[str]:
    head = [f"    type filter hook {hook}; policy accept;"] if hook else []
    return [f"  chain {name} {{", *head, *(f"    {rule}" for rule in rules), "  }"]
