"""Where two runs part: the first stage, the first message, the first key of configuration. Layer: timeline, pure.

Stages by outcome, then by time beyond noise; one that a resumed run did not run again is left out. Messages subject by
subject (what one part of a node says of sessions, of bootstrap, of one uplink): between subjects the order is chance.
Within one the first difference is where the common beginning ends; difflib aligns what follows. What differs in any two
runs is taken out first: times, counters, ids, ports, leased addresses, keys and their digests, and what is said at an
interval or by the way. Of the subjects' first differences the earliest counts. Configuration by key path of the two
plans: secrets are references there. Not here: reading (run_reading.py), text (reports/compare.py).
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from harness.core.model import Observation
from harness.core.paths import list_differences

NOISE_S, NOISE_SHARE = 1.0, 0.5
"""Stage times that differ by less than a second, or less than half of the shorter one, are the machine's load: ours."""
CONTEXT = 3
_AT_INTERVALS = frozenset(
    {
        "address.first_used",
        "address.seen",
        "alert.received",
        "command.done",
        "heartbeat.received",
        "light.changed",
        "mapping.made",
        "means.chosen",
        "node.ready",
        "session.opened",
        "signal.measured",
    }
)
"""Said by the bench for itself, or over and over at an interval."""
_VOLATILE = frozenset(
    {
        "at_s",
        "boot_count",
        "bytes",
        "cell",
        "date_skew_s",
        "detail",
        "digest",
        "id",
        "lease_s",
        "number",
        "offset_s",
        "port",
        "procid",
        "range_start",
        "received",
        "retransmitted",
        "segments",
        "remote",
        "rsrp_dbm",
        "rsrq_db",
        "sequence",
        "seq",
        "sha256",
        "sinr_db",
        "structured",
        "t1_s",
        "t2_s",
        "time",
        "timestamp",
        "took_s",
        "label",
    }
)
_CHATTER = frozenset({"notice", "info", "debug"})
"""Severities at which daemons tell of their doings in an order of their own; what the device itself says counts."""
_FREE_TEXT = frozenset({"line", "message", "summary", "text", "reason", "error"})
_LONG_HEX = re.compile(r"\b[0-9a-fA-F]{8,}\b")
_PORT = re.compile(r"(\d+\.\d+\.\d+\.\d+):\d+")
_MAC = re.compile(r"\b02:42:(?:[0-9a-f]{2}:){3}[0-9a-f]{2}\b")
"""A MAC of the engine's, after the nominal subnet of the run."""
_LEASED = re.compile(r"\b198\.18\.64\.1\d\d\b")  # pool of the fixed line (DEVELOPERS.md, Links): by the MAC
_INSIDE = re.compile(r"\b((?:10|172|192)\.\d+\.\d+\.)\d+\b")
_HOSTS = frozenset({"address", "client", "destination", "source"})
"""Where a client's own address stands: which one of its segment the server gives goes by the client's MAC."""
_NUMBER = re.compile(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.])")
_POLL = re.compile(r"AT\+[A-Z]+\??", re.IGNORECASE)
"""A command that only looks: how often the device does is a matter of when it was registered."""
_SAYS_MORE = ("ERROR", "+CME ERROR", "+CPIN")
"""Answers that are not a matter of when they were asked for."""
_HEARTBEAT = "informational"  # RFC 8572 section 7.3: what a heartbeat is sent as
_PLAN_OF_RUN = ("profile_digest", "since", "doubted", "until", "only", "skip", "soak")
"""Keys of a plan that say how it was run, not what the branch is."""


@dataclass(frozen=True, slots=True)
class StageDifference:
    """`one`, `other`: the stage as it stands in each verdict, or None."""

    stage: str
    one: Mapping[str, Any] | None
    other: Mapping[str, Any] | None


@dataclass(frozen=True, slots=True)
class MessageDifference:
    """`before`: what both said last. `one_at_s`, `other_at_s`: seconds from power-on of the first that differs."""

    node: str
    before: tuple[str, ...]
    one: tuple[str, ...]
    other: tuple[str, ...]
    one_at_s: float | None
    other_at_s: float | None


@dataclass(frozen=True, slots=True)
class KeyDifference:
    path: str
    one: Any
    other: Any


def find_stage_difference(
    one: Sequence[Mapping[str, Any]], other: Sequence[Mapping[str, Any]]
) -> StageDifference | None:
    """Return the first stage that came out differently, else the first whose time differs beyond noise."""
    ours, theirs = ({str(s.get("stage")): s for s in stages} for stages in (one, other))
    names = list(dict.fromkeys((*ours, *theirs)))
    pairs = [StageDifference(n, ours.get(n), theirs.get(n)) for n in names]
    apart = (
        p for p in pairs if _outcome(p.one) != _outcome(p.other) and _NOT_RUN not in map(_outcome, (p.one, p.other))
    )
    slow = (p for p in pairs if _is_beyond_noise(p.one, p.other))
    return next(apart, None) or next(slow, None)


_NOT_RUN = "NOT_APPLICABLE"
"""A stage that a resumed run did not run again came out no way at all."""


def _outcome(stage: Mapping[str, Any] | None) -> Any:
    return stage.get("outcome") if stage else None


def _is_beyond_noise(one: Mapping[str, Any] | None, other: Mapping[str, Any] | None) -> bool:
    times = [s.get("took_s") if s else None for s in (one, other)]
    if not all(isinstance(t, int | float) for t in times):
        return False
    low, high = sorted(float(t) for t in times if t is not None)
    return high - low > max(NOISE_S, NOISE_SHARE * low)


def normalise(seen: Observation) -> str | None:
    """Return a message without what differs in any two runs; None where it says nothing that could be compared."""
    if seen.kind in _AT_INTERVALS or _HEARTBEAT in (seen.data.get("progress_type"), seen.data.get("summary")):
        return None
    if seen.kind == "name.answered" and seen.data.get("address"):
        return None  # names that are known are asked for again as caches run out
    if seen.kind == "log.received" and seen.data.get("severity") in _CHATTER and seen.data.get("app") != "device":
        return None
    line = str(seen.data.get("line", ""))
    if seen.kind == "at.command" and (_POLL.fullmatch(line) or "port" in seen.data):
        return None  # at a port of its own a person asked, not the device
    if seen.kind == "at.response" and not line.startswith(_SAYS_MORE):
        return None
    told = " ".join(f"{key}={_normalise_value(key, value)}" for key, value in seen.data.items() if key not in _VOLATILE)
    return f"{seen.part} {seen.kind} {told}".rstrip()


def _normalise_value(key: str, value: Any) -> str:
    if isinstance(value, float):
        return "~"
    text = _PORT.sub(r"\1:~", _LONG_HEX.sub("~", _LEASED.sub("~", _MAC.sub("~", str(value)))))
    if key == "line":
        return text
    if key in _HOSTS:
        text = _INSIDE.sub(r"\1~", text)
    return _NUMBER.sub("~", text) if key in _FREE_TEXT else text


def find_message_difference(
    one: Sequence[Observation], other: Sequence[Observation], one_zero_ns: int, other_zero_ns: int
) -> MessageDifference | None:
    """Return the earliest place where a node of the two runs says something else."""
    subjects = dict.fromkeys(_find_subject(o) for o in (*one, *other))
    found = [d for s in subjects if (d := _compare_subject(s, one, other, (one_zero_ns, other_zero_ns))) is not None]
    return min(found, key=_earliest, default=None)


def _earliest(difference: MessageDifference) -> float:
    times = [t for t in (difference.one_at_s, difference.other_at_s) if t is not None]
    return min(times, default=0.0)


Subject = tuple[str, str, str, str]
"""Node, part, the first word of the event's kind, and what of several alike it is about."""


def _find_subject(seen: Observation) -> Subject:
    about = " ".join(str(seen.data[key]) for key in ("uplink", "segment", "slot", "app", "msgid") if key in seen.data)
    return seen.source, seen.part, seen.kind.partition(".")[0], about


def _compare_subject(
    subject: Subject, one: Sequence[Observation], other: Sequence[Observation], zeros_ns: tuple[int, int]
) -> MessageDifference | None:
    ours, theirs = (_list_messages(subject, seen, zero) for seen, zero in zip((one, other), zeros_ns, strict=True))
    a, b = [text for text, _ in ours], [text for text, _ in theirs]
    if a == b:
        return None
    same = next((i for i, pair in enumerate(zip(a, b, strict=False)) if pair[0] != pair[1]), min(len(a), len(b)))
    _, _, a_end, _, b_end = difflib.SequenceMatcher(None, a[same:], b[same:], autojunk=False).get_opcodes()[0]
    return MessageDifference(
        subject[0],
        tuple(a[max(0, same - CONTEXT) : same]),
        tuple(a[same : same + min(a_end, CONTEXT)]),
        tuple(b[same : same + min(b_end, CONTEXT)]),
        ours[same][1] if same < len(ours) else None,
        theirs[same][1] if same < len(theirs) else None,
    )


def _list_messages(subject: Subject, seen: Sequence[Observation], zero_ns: int) -> list[tuple[str, float]]:
    """Return a subject's messages in the order in which they happened; one that is repeated at once stands once."""
    listed: list[tuple[str, float]] = []
    for observation in sorted((o for o in seen if _find_subject(o) == subject), key=lambda o: (o.at_ns, o.seq)):
        text = normalise(observation)
        if text is not None and (not listed or listed[-1][0] != text):
            listed.append((text, (observation.at_ns - zero_ns) / 1e9))
    return listed


def list_key_differences(one: Mapping[str, Any], other: Mapping[str, Any]) -> tuple[KeyDifference, ...]:
    """Return where two plans differ, as to the branch."""
    found = (KeyDifference(*difference) for difference in list_differences(one, other))
    return tuple(d for d in found if d.path.partition("[")[0] not in _PLAN_OF_RUN)
