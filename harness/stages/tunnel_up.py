"""tunnel_up: the HQ gateway has the IKE SA and its child (RFC 7296), with the profile's ciphers and selectors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from harness.core.entries import Evidence, Example, Hint, Need, Seen, Stage, as_list, hold, set_aside
from harness.core.model import Finding, Plan
from harness.core.proposals import is_among_esp, is_among_ike
from harness.core.sample import saw
from harness.core.sections import Tunnel
from harness.stages._shared import SHARED_ADDRESSES, is_cellular, is_inside, to_networks


def needs(plan: Plan) -> tuple[Need, ...]:
    return (
        Need("hq-gateway", "sa.established", lambda plan, seen: True, "the HQ gateway has the IKE SA"),
        Need("hq-gateway", "child.installed", lambda plan, seen: True, "the HQ gateway has the child SA"),
    )


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    """Judge every SA of the run, not the first alone: a tunnel that comes up anew may come up otherwise."""
    sas = evidence.find_all("hq-gateway", "sa.established")
    children = evidence.find_all("hq-gateway", "child.installed")
    if not sas or not children:
        return ()
    tunnel = plan.branch.tunnel
    sa = next((s for s in sas if not _is_right_sa(tunnel, s)), sas[0])
    child = next((c for c in children if not _is_right_child(tunnel, c)), children[0])
    ids = (sa.data.get("local_id"), sa.data.get("remote_id"))
    ike, esp = str(sa.data.get("ike") or ""), str(child.data.get("esp") or "")
    seen_ts = [sorted(to_networks(as_list(child.data.get(k)))) for k in ("local_ts", "remote_ts")]
    plan_ts = [sorted(to_networks(n)) for n in (tunnel.remote_subnets, tunnel.local_subnets)]
    nat = _judge_nat(evidence, sa, child)
    return (
        hold(
            "tunnel_up.identities",
            ids == (tunnel.remote_id, tunnel.local_id),
            "both ends are who the profile says",
            f"HQ {tunnel.remote_id}, branch {tunnel.local_id}",
            f"HQ {ids[0]}, branch {ids[1]}",
            [sa],
        ),
        hold(
            "tunnel_up.ike",
            is_among_ike(ike, tunnel.ike_proposals),
            "the IKE ciphers are of the profile's",
            " or ".join(tunnel.ike_proposals),
            ike or "nothing reported",
            [sa],
        ),
        hold(
            "tunnel_up.esp",
            is_among_esp(esp, tunnel.esp_proposals),
            "the ESP ciphers are of the profile's",
            " or ".join(tunnel.esp_proposals),
            esp or "nothing reported",
            [child],
        ),
        hold(
            "tunnel_up.selectors",
            seen_ts == plan_ts,
            "exactly the profile's networks go through the tunnel",
            _tell_selectors(plan_ts),
            _tell_selectors(seen_ts),
            [child],
        ),
        nat
        if is_cellular(plan)
        else set_aside("tunnel_up.nat", nat.claim, "the fixed line does not translate addresses"),
        _judge_kept(evidence, children),
    )


def _judge_kept(evidence: Evidence, children: Sequence[Seen]) -> Finding:
    removed = evidence.find_all("hq-gateway", "child.removed")
    return hold(
        "tunnel_up.kept",
        len(removed) < len(children),
        "the tunnel still stands at the end of the run",
        "fewer child SAs removed than installed",
        f"{len(children)} installed, {len(removed)} removed",
        [*children, *removed],
    )


def _is_right_sa(tunnel: Tunnel, sa: Seen) -> bool:
    ids = (sa.data.get("local_id"), sa.data.get("remote_id"))
    return ids == (tunnel.remote_id, tunnel.local_id) and is_among_ike(
        str(sa.data.get("ike") or ""), tunnel.ike_proposals
    )


def _is_right_child(tunnel: Tunnel, child: Seen) -> bool:
    selectors = [to_networks(as_list(child.data.get(k))) for k in ("local_ts", "remote_ts")]
    wanted = [to_networks(n) for n in (tunnel.remote_subnets, tunnel.local_subnets)]
    return selectors == wanted and is_among_esp(str(child.data.get("esp") or ""), tunnel.esp_proposals)


def _judge_nat(evidence: Evidence, sa: Seen, child: Seen) -> Finding:
    """Compare the address that HQ sees with the device's own: charon's word alone is not worth much, since user-space
    ESP makes it claim a NAT in any case."""
    granted = evidence.find_first("carrier", "pdn.granted")
    own = granted.data.get("address") if granted else None
    remote = str(sa.data.get("remote") or "").rpartition(":")[0]
    encap = child.data.get("encap")
    return hold(
        "tunnel_up.nat",
        bool(remote)
        and own is not None
        and remote != own
        and not is_inside(remote, (str(SHARED_ADDRESSES),))
        and sa.data.get("nat") is True
        and encap is True,
        "HQ sees the carrier's address, not the branch's, and ESP goes in UDP (RFC 7296 section 2.23, RFC 3948)",
        f"another address than {own}, encapsulation",
        f"{remote or 'no address'}, nat {sa.data.get('nat')}, encapsulation {encap}",
        [granted, sa, child],
    )


def _tell_selectors(pair: list[list[str]]) -> str:
    return f"HQ {', '.join(pair[0]) or 'none'}; branch {', '.join(pair[1]) or 'none'}"


def summary(plan: Plan, evidence: Evidence) -> str:
    sa = evidence.find_first("hq-gateway", "sa.established")
    child = evidence.find_first("hq-gateway", "child.installed")
    if sa is None or child is None:
        return ""
    nat = ", in UDP" if child.data.get("encap") else ""
    return f"{sa.data.get('ike')}, ESP {child.data.get('esp')}{nat}, {child.data.get('means')} at HQ"


STAGE = Stage(
    name="tunnel_up",
    order=70,
    title="The tunnel to HQ is up",
    witness="the HQ gateway: IKE SA established, child SA installed",
    needs=needs,
    judge=judge,
    summary=summary,
    hints=(
        Hint("hq-gateway", "sa.refused", ("reason",)),
        Hint("hq-gateway", "child.removed", ("esp",)),
        Hint("router", "tunnel.down"),
    ),
)

_SA = saw(
    "hq-gateway",
    "sa.established",
    29.0,
    ike="aes256gcm16-prfsha384-ecp256",
    local_id="hq.skerry.example",
    remote_id="kiosk-north.skerry.example",
    nat=True,
    remote="198.18.0.10:23412",
)
CHILD = saw(
    "hq-gateway",
    "child.installed",
    29.1,
    esp="AES_GCM_16-256",
    local_ts=["10.200.0.0/24"],
    remote_ts=["10.20.10.0/24"],
    encap=True,
    means="userspace",
)
_WEAK = saw(
    "hq-gateway",
    "child.installed",
    29.1,
    esp="aes128-sha1",
    local_ts=["10.200.0.0/24"],
    remote_ts=["10.20.10.0/24"],
    encap=True,
    means="userspace",
)
_WIDE = saw(
    "hq-gateway",
    "child.installed",
    29.1,
    esp="aes256gcm16",
    local_ts=["0.0.0.0/0"],
    remote_ts=["10.20.10.0/24"],
    encap=True,
    means="userspace",
)
_REFUSED = saw("hq-gateway", "sa.refused", 29.0, reason="no proposal chosen")

_GRANTED = saw("carrier", "pdn.granted", 28.5, imsi="999700000000001", address="100.64.0.2")
_IN_CLEAR = saw(
    "hq-gateway",
    "sa.established",
    29.0,
    ike="aes256gcm16-prfsha384-ecp256",
    local_id="hq.skerry.example",
    remote_id="kiosk-north.skerry.example",
    nat=True,
    remote="100.64.0.2:4500",
)

_LOST = saw("hq-gateway", "child.removed", 29.1, esp="aes256gcm16")

EXAMPLES = (
    Example("both SAs as the profile asks", "PASS", (_GRANTED, _SA, CHILD)),
    Example("HQ sees the branch's own address", "FAIL", (_GRANTED, _IN_CLEAR, CHILD)),
    Example(
        "HQ sees an address of the carrier's pool, of a later bearer",
        "FAIL",
        (_GRANTED, replace(_IN_CLEAR, data={**_IN_CLEAR.data, "remote": "100.64.0.3:4500"}), CHILD),
    ),
    Example(
        "it comes up anew with a weaker ESP suite",
        "FAIL",
        (_GRANTED, replace(CHILD, at_ns=28_800_000_000), replace(_WEAK, at_ns=28_900_000_000), _SA),
    ),
    Example("no proposal chosen", "FAIL", (_REFUSED,)),
    Example("an IKE SA without a child", "FAIL", (_SA,)),
    Example("a weaker ESP suite", "FAIL", (_SA, _WEAK)),
    Example("other networks", "FAIL", (_SA, _WIDE)),
    Example("the tunnel goes down again", "FAIL", (_GRANTED, _SA, CHILD, _LOST)),
)
