"""Is the branch in service? A client's echo arrives at HQ and is answered, and management hears the device: nothing
less. Layer: pure. The looks are the bench's own asks; the witnesses are HQ's endpoint and the management server.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from harness.core.entries import ANSWERED, Answer, Evidence, Seen
from harness.core.faults import BENCH
from harness.core.model import Ask, Plan
from harness.core.timing import to_ns
from harness.stages._shared import find_client, find_hq_segment, find_segment_network, is_inside, label_lease

PING_TIMEOUT_S = 1.5  # longer than any round trip of the catalogue (1.2 s)
PAUSE_S = 1.0  # between two looks: the grain of a time to recover where nothing else gives a finer one
PINGS_A_LEASE = 3  # so many pings in vain before a new lease is asked for: asking drops the old one
LEASE_TIMEOUT_S = 8.0


def find_service(plan: Plan, evidence: Evidence, since_ns: int) -> tuple[Seen, Seen] | None:
    """Return the first echo of a client at HQ (or the first answer, where that came later) and the first heartbeat, all
    since an instant, or None."""
    segment = find_hq_segment(plan)
    networks = [find_segment_network(segment)] if segment else []
    router = segment.address.partition("/")[0] if segment else ""
    echoes = (
        s
        for s in evidence.find_all("hq-endpoint", "echo.received")
        if s.at_ns >= since_ns and is_inside(s.data.get("source"), networks) and s.data.get("source") != router
    )
    beats = (s for s in evidence.find_all("management", "heartbeat.received") if s.at_ns >= since_ns)
    echo, beat = min(echoes, key=_at, default=None), min(beats, key=_at, default=None)
    answer = min(_find_answers(plan, evidence, since_ns), key=_at, default=None)
    return None if echo is None or beat is None or answer is None else (max(echo, answer, key=_at), beat)


def _find_answers(plan: Plan, evidence: Evidence, since_ns: int) -> Iterator[Seen]:
    """Yield the client's pings that HQ's answer came back for: what arrives there alone is no service."""
    segment = find_hq_segment(plan)
    client = (find_client(segment) if segment else None) or ""
    pings = evidence.find_all(client, ANSWERED, verb="ping")
    results = ((s, s.data.get("result")) for s in pings if s.at_ns >= since_ns)
    return (s for s, result in results if isinstance(result, Mapping) and result.get("received"))


def has_looked(evidence: Evidence, stamp: str) -> bool:
    """Say whether a look of that stamp came to an end: an echo that came back or did not, or no lease to be had. A
    probe that broke, or was never answered, tells nothing of the branch."""
    ours = (s for s in evidence if str(s.data.get("label") or "").startswith(f"{BENCH}{stamp}."))
    return any(_is_end(s) for s in ours if s.observation.kind == ANSWERED)


def _is_end(seen: Seen) -> bool:
    answer = Answer(seen, seen.data.get("ok") is True, seen.data.get("result"), str(seen.data.get("error") or ""))
    return answer.is_silence or (answer.ok and seen.data.get("verb") == "ping")


def _at(seen: Seen) -> int:
    return seen.at_ns


class Looks:
    """Asks a client for echoes, over and over, with a new lease now and then. `stamp` keeps the labels apart."""

    def __init__(self, plan: Plan, stamp: str, now_ns: int) -> None:
        segment = find_hq_segment(plan)
        self._client = find_client(segment) if segment else None
        self._plan, self._stamp = plan, stamp
        self._count, self._in_vain = 0, 0
        self._open: str | None = None
        self._next_ns: int | None = now_ns

    @property
    def deadline_ns(self) -> int | None:
        """When the next look is due; None while one is under way."""
        return None if self._open is not None else self._next_ns

    def go_on(self, evidence: Evidence, now_ns: int) -> tuple[Ask, ...]:
        """Return what is to be asked now, if anything."""
        if self._client is None:
            self._next_ns = None  # no client may reach HQ: there is nothing to look with
            return ()
        if self._open is not None:
            answer = evidence.find_answer(self._open)
            if answer is None:
                return ()
            is_echo = answer.seen.data.get("verb") == "ping"
            if is_echo:
                self._in_vain = 0 if answer.ok and answer.get("received") else self._in_vain + 1
            self._open, self._next_ns = None, now_ns + (to_ns(PAUSE_S) if is_echo else 0)
        if self._next_ns is None or now_ns < self._next_ns:
            return ()
        return (self._ask(evidence),)

    def _ask(self, evidence: Evidence) -> Ask:
        assert self._client is not None
        self._count += 1
        self._open = f"{BENCH}{self._stamp}.{self._count}"
        if not self._has_lease(evidence) or self._in_vain >= PINGS_A_LEASE:
            self._in_vain = 0
            return Ask(self._client, "lease", {"timeout_s": LEASE_TIMEOUT_S}, self._open)
        ping = {
            "target": self._plan.branch.acceptance.ping_target,
            "count": 1,
            "interval_s": 1.0,
            "timeout_s": PING_TIMEOUT_S,
        }
        return Ask(self._client, "ping", ping, self._open)

    def _has_lease(self, evidence: Evidence) -> bool:
        assert self._client is not None
        answers = evidence.find_all(self._client, "command.done", verb="lease")
        return bool(answers and answers[-1].data.get("ok")) or (
            not answers and evidence.find_answer(label_lease(self._client)) is not None
        )
