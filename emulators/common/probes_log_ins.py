"""The probes ``lockout_trial`` and ``password_trial``: how a device takes log-ins that fail. Layer: stand-in, I/O.

Each is one verb for a whole series, from two addresses of this node: log-ins hang on each other, and asked for one by
one their way over the network would be most of the time. A trial ends by releasing what it had blocked and giving the
account its first password back, whatever came before. Outcomes are those of ssh_log_in.py; the check judges them.
"""

from __future__ import annotations

import random
import time
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from typing import Any

import paramiko

from emulators.common.password_shapes import make_password
from emulators.common.ssh_log_in import LogIn, find_sources, read_key

LINK = "hqlan"
SSH_PORT = 22  # RFC 4253 section 4.1
A_CONNECTION = 2
"""Failures on one connection: one less than sshd's own limit here, so that each of them gets its answer."""
BLOCKED_TRY_S = 1.6  # a second SYN is sent after 1 s (RFC 6298 section 2): one may be lost on the radio
STILL_TRY_S = 4.0
SHOWN_WITHIN_S, SHOWN_POLL_S = 1.5, 0.2
SIDE_BY_SIDE = 4


class Account:
    """The operator's account and what opens it at the time. Without a key, the first password is changed first."""

    def __init__(  # noqa: PLR0917 - where, who, by what
        self, target: str, port: int, user: str, key_pem: str | None, password: str | None, wait_s: float
    ) -> None:
        self.target, self.port, self.user, self.wait_s = target, port, user, wait_s
        self.key, self.first = read_key(key_pem), password
        self.password = self.first

    def connect(self, source: str, timeout_s: float | None = None) -> LogIn:
        """Connect, and do not log in yet."""
        return LogIn(self.target, self.port, source, timeout_s or self.wait_s)

    def log_in(self, source: str) -> LogIn:
        """Log in so that every command is open: by key, else by password."""
        session = self.connect(source)
        if self.key is not None:
            session.try_key(self.user, self.key)
        elif self.password is not None:
            session.try_password(self.user, self.password)
            if self.password == self.first:
                self.change(session, make_password(24, ("letter", "digit"), random.SystemRandom()))
        return session

    def change(self, session: LogIn, new: str) -> dict[str, Any]:
        """Offer a new password on a session that is open; it is the account's from now on if it is taken."""
        answer = session.ask("change-password", f"{self.password}\n{new}\n")
        if answer.get("ok") is True:
            self.password = new
        return answer


# ---------------------------------------------------------------- lock-out


def lockout_trial(
    target: str,
    user: str,
    failures: int,
    *,
    port: int = SSH_PORT,
    key_pem: str | None = None,
    password: str | None = None,
    gap_s: float = 0.0,
    block_s: float = 0.0,
    timeout_s: float = 8.0,
) -> dict[str, Any]:
    """Fail `failures` times from one address and see what becomes of it, and of another address.

    With `gap_s` the first failure and the rest lie that far apart; with `block_s` the block is waited out.
    """
    account = Account(target, port, user, key_pem, password, timeout_s)
    first, second = find_sources(LINK, 2)[:2]
    result: dict[str, Any] = {"blocked_source": first, "other_source": second}
    with ExitStack() as after:
        helper = account.log_in(second)
        after.callback(helper.close)
        after.callback(_end, account, helper)
        result["prepared"] = helper.ask("release-blocked")
        result["below"] = _fail(account, first, failures - 1, gap_s)
        result["still"] = _try_right(account, first, timeout_s=STILL_TRY_S)
        result["at"] = _fail(account, first, 1, 0.0)
        blocked_at = time.monotonic()
        result["shown"] = _wait_shown(helper, first, blocked_at + SHOWN_WITHIN_S)
        result["shown_after_s"] = round(time.monotonic() - blocked_at, 3)
        result["blocked"] = _try_blocked(account, first)
        other = account.log_in(second)
        after.callback(other.close)
        result["other"] = other.outcome
        if block_s:
            # the block itself, waited out to its end: that is what a soak is for
            time.sleep(max(0.0, blocked_at + block_s + 1.0 - time.monotonic()))
            result["waited_out"] = _try_right(account, first)
        result["released"] = helper.ask("release-blocked", "")
        result["after_release"] = _try_right(account, first)
    return result


def _fail(account: Account, source: str, count: int, gap_s: float) -> list[str]:
    """Fail `count` times, and return the outcomes. Waits `gap_s` after the first."""
    outcomes: list[str] = []
    while len(outcomes) < count:
        session = account.connect(source)
        # Alone, the first failure has a connection of its own: sshd would not wait that long on an open one.
        group = 1 if gap_s and not outcomes else A_CONNECTION
        outcomes += [_try_wrong(account, session) for _ in range(min(group, count - len(outcomes)))]
        session.close()
        if session.outcome != "auth_failed":
            break
        if gap_s and len(outcomes) == 1:
            time.sleep(gap_s)  # the window of the lock-out, which is what is tried
    return outcomes


def _wait_shown(helper: LogIn, source: str, deadline: float) -> dict[str, Any]:
    """Ask whom the device blocks until it names the source; return its last answer.

    A block is on its way while the answer to the last failure is.
    """
    while True:
        shown = helper.ask("show-blocked")
        listed = shown.get("blocked") or ()
        if any(item.get("source") == source for item in listed) or time.monotonic() > deadline:
            return shown
        time.sleep(SHOWN_POLL_S)  # the device tells when it is asked, and only then


def _try_wrong(account: Account, session: LogIn) -> str:
    if account.password is not None:
        return session.try_password(account.user, make_password(16, ("letter", "digit"), random.SystemRandom()))
    return session.try_key(account.user, paramiko.ECDSAKey.generate())


def _try_on(account: Account, session: LogIn, by_key: bool = False) -> str:
    if account.key is not None and (by_key or account.password is None):
        return session.try_key(account.user, account.key)
    return session.try_password(account.user, account.password or "")


def _try_right(account: Account, source: str, by_key: bool = False, timeout_s: float | None = None) -> str:
    session = account.connect(source, timeout_s)
    outcome = _try_on(account, session, by_key)
    session.close()
    return outcome


def _try_blocked(account: Account, source: str) -> dict[str, str]:
    """Try all that is right, side by side, from a source that should be blocked."""
    ways = {"password": False} if account.password is not None else {}
    ways |= {"key": True} if account.key is not None else {}
    with ThreadPoolExecutor(len(ways)) as pool:
        tries = {way: pool.submit(_try_right, account, source, by_key, BLOCKED_TRY_S) for way, by_key in ways.items()}
        return {way: each.result() for way, each in tries.items()}


def _end(account: Account, session: LogIn) -> dict[str, Any]:
    """Leave nothing behind: nobody blocked, no failure counted, the first password good again."""
    released = session.ask("release-blocked")
    if account.password != account.first:
        session.ask("reset-password")
        account.password = account.first
    return released


# ---------------------------------------------------------------- passwords


def password_trial(
    target: str,
    user: str,
    password: str,
    *,
    refused: list[dict[str, Any]],
    taken: list[dict[str, Any]],
    reused: list[dict[str, Any]],
    defaults: list[list[str]],
    port: int = SSH_PORT,
    key_pem: str | None = None,
    failures: int | None = None,
    timeout_s: float = 8.0,
) -> dict[str, Any]:
    """Offer passwords to the device's own change command, and try those that it must not let in.

    An offer has a `name` and is of a shape (`length`, `kinds`), a `text`, the `again`-th last that was taken, or
    `first`. `refused` are offered while the first password stands, `taken` one after the other, then `reused`. With
    `failures` set, that many failed log-ins block a source: before that many, they are forgotten.
    """
    account = Account(target, port, user, key_pem, password, timeout_s)
    first, second = find_sources(LINK, 2)[:2]
    chosen: list[str] = []
    with ExitStack() as after:
        helper = account.log_in(second) if account.key is not None else None
        session = _open_first(account, first, helper)
        after.callback(session.close)
        result: dict[str, Any] = {"first": session.outcome, "first_runs": session.run("id")}
        if session.outcome != "connected":
            return result
        result["refused"] = _offer_all(account, session, refused, chosen)
        result["taken"] = {each["name"]: _offer(account, session, each, chosen) for each in taken}
        helper = helper or account.log_in(second)
        after.callback(helper.close)
        after.callback(_end, account, helper)
        result["changed_runs"] = session.run("id")
        wrong = [("first", user, password), ("cut", user, (account.password or "")[:-1])]
        wrong += [(f"{name}/{word}", name, word) for name, word in defaults]
        result["right"] = _try_right(account, first)
        result["log_ins"] = _try_all(account, first, helper, wrong, failures)
        result["reused"] = {each["name"]: _offer(account, session, each, chosen) for each in reused}
    return result


def _open_first(account: Account, source: str, helper: LogIn | None) -> LogIn:
    """Log in with the first password; where a trial before was broken off and left another one, have it back first."""
    for _ in range(2):
        session = account.connect(source)
        if session.try_password(account.user, account.first or "") == "connected" or helper is None:
            break
        helper.ask("release-blocked")
        helper.ask("reset-password")
    return session


def _make(account: Account, offer: dict[str, Any], chosen: list[str]) -> str:
    if "text" in offer:
        return str(offer["text"])
    if "again" in offer:
        return chosen[-int(offer["again"])] if len(chosen) >= int(offer["again"]) else ""
    if offer.get("first"):
        return account.first or ""
    return make_password(int(offer["length"]), offer["kinds"], random.SystemRandom())


def _offer(account: Account, session: LogIn, offer: dict[str, Any], chosen: list[str]) -> dict[str, Any]:
    new = _make(account, offer, chosen)
    answer = account.change(session, new)
    if answer.get("ok") is True:
        chosen.append(new)
    return {key: answer.get(key) for key in ("ok", "word", "reason")}


def _offer_all(
    account: Account, session: LogIn, offers: Iterable[dict[str, Any]], chosen: list[str]
) -> dict[str, dict[str, Any]]:
    """Offer side by side what should change nothing; where one is taken, those that come too late are offered again."""
    with ThreadPoolExecutor(SIDE_BY_SIDE) as pool:
        tries = {offer["name"]: (offer, pool.submit(_offer, account, session, offer, chosen)) for offer in offers}
        answers = {name: (offer, each.result()) for name, (offer, each) in tries.items()}
    return {
        name: _offer(account, session, offer, chosen) if answer["word"] == "wrong_old" else answer
        for name, (offer, answer) in answers.items()
    }


def _try_all(
    account: Account, source: str, helper: LogIn, tries: list[tuple[str, str, str]], failures: int | None
) -> dict[str, str]:
    """Try log-ins that should fail, side by side, and have them forgotten before they block their source."""
    outcomes: dict[str, str] = {}
    size = SIDE_BY_SIDE if failures is None else max(1, min(SIDE_BY_SIDE, failures - 1))
    for begin in range(0, len(tries), size):
        helper.ask("release-blocked")
        with ThreadPoolExecutor(size) as pool:
            group = tries[begin : begin + size]
            found = pool.map(lambda each: _try_one(account, source, each[1], each[2]), group)
            outcomes |= {name: outcome for (name, _, _), outcome in zip(group, found, strict=True)}
    helper.ask("release-blocked")
    return outcomes


def _try_one(account: Account, source: str, user: str, password: str) -> str:
    session = account.connect(source)
    outcome = session.try_password(user, password)
    session.close()
    return outcome
