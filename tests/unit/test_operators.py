"""Operators' access, the real parts together on the loopback: identity provider, desk and the server's interface, by
TLS; and the server alone against tokens that no library would make."""

from __future__ import annotations

import asyncio
import http.client
import json
import socket
import ssl
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import jwt
import pytest
from test_management_server import IMAGE, SHA, Witness

from emulators.common.controls import Operators
from emulators.common.server_tls import build_server_tls
from emulators.common.totp import find_step, make_code
from emulators.internet.identity_provider import start_identity_provider
from emulators.internet.operators_desk import Desk, DeskError
from emulators.internet.sign_in import OTHER_AUDIENCE, OTHER_ISSUER, SignIn, User
from emulators.management.machine import InventoryEntry, ManagementMachine
from emulators.management.operator_api import DEVICES, OperatorApi, Trust
from emulators.management.operator_audit import AuditLog
from emulators.management.operator_tokens import TokenError, has_second_factor, read_key_id, read_token, verify
from emulators.management.render import Offer
from emulators.management.server import build_tls, start_site
from harness.checks import _operators_tries as tries
from harness.checks import operators_access as check
from harness.checks._audit_log import find_break, parse
from harness.core.entries import Evidence, Seen
from harness.core.model import Ask
from harness.core.sample import answered, build_plan
from harness.lab.pki import Subjects, make_pki

SERIAL, MAC = "SK-000017", "02:5b:00:00:00:11"
USER = User("operator", "a long pass phrase", b"12345678901234567890")
AUDIENCE = "branch-management"
HOLD = "/restconf/operations/branch-operators:hold"


def locate(host: str, timeout_s: float) -> str:
    assert host == "127.0.0.1"
    return host


@dataclass
class Bench:
    desk: Desk
    api: OperatorApi
    url: str
    witness: Witness
    audit_file: Path
    rules: dict[str, Any]
    machine: ManagementMachine

    def operate(self, *tries: tuple[str, str, str]) -> list[dict[str, Any]]:
        body = {"branch-operators:input": {"serial": SERIAL}}
        listed = [{"bearer": b, "method": m, "path": p, "body": body if m == "POST" else None} for b, m, p in tries]
        answers: list[dict[str, Any]] = self.desk.operate(self.url, listed)["answers"]
        return answers


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    now = datetime.now(UTC)
    pki = make_pki(Subjects(SERIAL, MAC, ("127.0.0.1",), "g.example", "b.example", sign_in="127.0.0.1"), now, now)
    with socket.create_server(("127.0.0.1", 0)) as spare:
        port = spare.getsockname()[1]
    issuer = f"https://127.0.0.1:{port}/realm"
    sign_in = SignIn(issuer, AUDIENCE, (USER,))
    tls = build_server_tls(pki.sign_in.certificate_pem, pki.sign_in.key_pem)
    assert start_identity_provider(sign_in, issuer, "127.0.0.1", tls) == port
    machine = ManagementMachine((InventoryEntry(SERIAL, MAC, "Skerry Line", "pier"),), "Skerry Line", "pier",
                                Offer(IMAGE, SHA.hex(), 1))  # fmt: skip
    witness, rules = Witness(), {"issuer": issuer, "audience": AUDIENCE, "second_factor": True}
    audit_file = tmp_path / "audit" / "operators.jsonl"
    api = OperatorApi(witness, machine, Trust(pki.sign_in_ca_pem, ()), audit_file)  # type: ignore[arg-type]
    api.set_rules(rules)
    server_tls = build_tls(pki.management.certificate_pem, pki.management.key_pem, pki.manufacturer_ca_pem, print)
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    runner = asyncio.run_coroutine_threadsafe(start_site(api.build_app(), "127.0.0.1", 0, server_tls), loop).result(10)
    desk = Desk(USER, issuer, AUDIENCE, sign_in, ssl.create_default_context(cadata=pki.sign_in_ca_pem),
                ssl.create_default_context(cadata=pki.bootstrap_ca_pem), locate)  # fmt: skip
    url = f"https://127.0.0.1:{runner.addresses[0][1]}"
    yield Bench(desk, api, url, witness, audit_file, rules, machine)
    asyncio.run_coroutine_threadsafe(runner.cleanup(), loop).result(10)
    loop.call_soon_threadsafe(loop.stop)
    thread.join()
    loop.close()


# ---------------------------------------------------------------- the whole, and the check on it


def prove(bench: Bench) -> dict[str, str]:
    """Run the check's own asks against the real parts, and its own judge; return claim to outcome."""
    plan = build_plan(operators=Operators(bench.rules["issuer"], AUDIENCE, True))
    (ask,) = check.act(plan, Evidence())
    seen = [answered("internet", ask.label, 1.0, bench.desk.operate(bench.url, list(ask.args["tries"])))]
    _, fetch = check.act(plan, Evidence([Seen(0, seen[0])]))
    assert isinstance(fetch, Ask)
    import base64

    content = base64.b64encode(bench.audit_file.read_bytes()).decode()
    seen.append(answered("management", fetch.label, 2.0, {"base64": content}))
    findings = check.judge(plan, Evidence([Seen(i, o) for i, o in enumerate(seen)]))
    return {f.claim: f.outcome for f in findings if f.outcome != "PASS"}


def test_the_check_holds_on_the_real_parts_twice_over(bench: Bench) -> None:
    assert prove(bench) == {}
    assert prove(bench) == {}  # codes are taken once: the desk keeps its sign-in
    assert bench.machine.describe(SERIAL)["held"] is False  # type: ignore[index]


def test_each_weakening_of_the_server_is_noticed(bench: Bench) -> None:
    plan = build_plan(operators=Operators(bench.rules["issuer"], AUDIENCE, True))
    noticed = {}
    for spoil in check.list_spoils(plan):
        settings: dict[str, Any] = {"operators": dict(bench.rules)}
        spoil.change(settings)
        bench.api.set_rules(settings["operators"])
        noticed[spoil.key] = prove(bench)
        bench.machine.release_all()
    assert list(noticed["operators.second_factor"]) == [
        "a token without the second factor is refused",
        f"no refused request did anything to {SERIAL}",
        "the audit log holds each try: who, what, when, from where, with what outcome",
    ]
    assert "a token for another audience is refused" in noticed["operators.audience"]
    assert "a right token lists the devices" in noticed["operators.issuer"]
    assert "a right token lists the devices" in noticed["operators"]
    bench.api.set_rules(bench.rules)
    assert prove(bench) == {}


def test_what_an_operator_may_do(bench: Bench) -> None:
    one = f"{DEVICES}/device={SERIAL}"
    listed, held, seen, gone, strange, wrong = bench.operate(
        ("second_factor", "GET", DEVICES), ("second_factor", "POST", HOLD), ("second_factor", "GET", one),
        ("second_factor", "GET", f"{DEVICES}/device=NONE"), ("second_factor", "GET", "/elsewhere"),
        ("second_factor", "DELETE", DEVICES),
    )  # fmt: skip
    assert listed["status"] == 200
    assert listed["body"]["branch-operators:devices"]["device"][0]["serial"] == SERIAL
    assert (held["status"], held["body"]) == (204, None)
    assert seen["body"]["branch-operators:device"][0]["held"] is True
    assert [one["status"] for one in (gone, strange, wrong)] == [404, 404, 405]
    acted = bench.witness.of("operator.acted")
    assert [(a["subject"], a["status"], a["outcome"]) for a in acted] == [
        ("operator", 200, "success"), ("operator", 204, "success"), ("operator", 200, "success"),
        ("operator", 404, "failure"), ("operator", 404, "failure"), ("operator", 405, "failure"),
    ]  # fmt: skip


def test_a_device_that_is_held_gets_nothing(bench: Bench) -> None:
    from test_management_server import GET_PATH, INPUT, MEDIA_TYPE

    from emulators.management.restconf import Request

    pki = make_pki(Subjects(SERIAL, MAC, ("h.example",), "g.example", "b.example"), datetime.now(UTC),
                   datetime.now(UTC))  # fmt: skip
    from cryptography import x509
    from cryptography.hazmat.primitives.serialization import Encoding

    der = x509.load_pem_x509_certificate(pki.device.certificate_pem.encode()).public_bytes(Encoding.DER)
    headers = {"content-type": MEDIA_TYPE, "accept": MEDIA_TYPE}
    body = json.dumps({INPUT: {"os-name": "bench-os", "os-version": "1.0.0"}}).encode()
    statuses = []
    for held in (True, False):
        bench.machine.hold(SERIAL, held=held)
        request = Request("POST", GET_PATH, headers, body, der)
        statuses.append(bench.machine.handle(request, time.time()).response.status)
    assert statuses == [409, 200]


# ---------------------------------------------------------------- RFC 6750


def ask(bench: Bench, path: str, headers: dict[str, str]) -> tuple[int, str | None, bytes]:
    host, _, port = bench.url.removeprefix("https://").partition(":")
    connection = http.client.HTTPSConnection(host, int(port), context=bench.desk.server_tls, timeout=5)
    connection.request("GET", path, headers=headers)
    response = connection.getresponse()
    content = response.read()
    connection.close()
    return response.status, response.getheader("WWW-Authenticate"), content


def test_without_a_token_no_code_is_told(bench: Bench) -> None:
    """RFC 6750 section 3.1."""
    status, challenge, content = ask(bench, DEVICES, {})
    assert (status, challenge) == (401, 'Bearer realm="branch operators"')
    assert json.loads(content)["ietf-restconf:errors"]["error"][0]["error-tag"] == "access-denied"


def test_a_token_in_the_address_is_refused_and_not_written_down(bench: Bench) -> None:
    """RFC 6750 section 2.3, and section 5.3: not in page addresses."""
    status, challenge, _ = ask(bench, f"{DEVICES}?access_token=eyJabc", {})
    assert status == 400 and 'error="invalid_request"' in str(challenge)
    assert "eyJ" not in bench.audit_file.read_text()


def test_garbage_is_refused(bench: Bench) -> None:
    long = "Bearer " + "A" * 5000
    for given in ("Bearer", "Bearer x", "Bearer a.b.c", "Basic b3A6cHc=", long, "Bearer ..", "bearer \xe9"):
        status, challenge, _ = ask(bench, DEVICES, {"Authorization": given})
        assert status == 401 and str(challenge).startswith("Bearer"), given[:40]


def test_the_challenge_for_a_missing_factor_is_the_one_to_step_up(bench: Bench) -> None:
    """RFC 9470 section 3."""
    (alone,) = bench.operate(("password_only", "GET", DEVICES))
    assert alone["status"] == 401 and 'error="insufficient_user_authentication"' in alone["challenge"]


# ---------------------------------------------------------------- the issuer's keys


def statuses(bench: Bench, bearer: str, times: int = 1) -> list[int]:
    return [one["status"] for one in bench.operate(*[(bearer, "GET", DEVICES)] * times)]


def test_tokens_of_strangers_do_not_have_the_keys_fetched_each_time(bench: Bench) -> None:
    asked: list[float] = []
    list_keys = bench.desk.sign_in.list_keys

    def count() -> dict[str, Any]:
        asked.append(time.monotonic())
        return list_keys()

    bench.desk.sign_in.list_keys = count  # type: ignore[method-assign]
    assert statuses(bench, "unknown_key", 20) == [401] * 20
    assert statuses(bench, "second_factor") == [200]
    assert len(asked) == 1


def test_an_issuer_that_calls_itself_otherwise_is_not_believed(bench: Bench) -> None:
    """OpenID Connect Discovery 1.0 section 4.3: the same, exactly. And it is told apart from a wrong token."""
    bench.api.set_rules(bench.rules | {"issuer": bench.rules["issuer"] + "/"})
    assert statuses(bench, "second_factor", 2) == [503, 503]
    assert [entry["reason"] for entry in bench.witness.of("operator.refused")] == ["keys_unavailable"] * 2
    bench.api.set_rules(bench.rules)
    assert statuses(bench, "second_factor") == [200]


def test_an_issuer_of_another_authority_is_not_believed(bench: Bench, tmp_path: Path) -> None:
    now = datetime.now(UTC)
    stranger = make_pki(Subjects(SERIAL, MAC, ("127.0.0.1",), "g.example", "b.example"), now, now)
    api = OperatorApi(bench.witness, bench.machine, Trust(stranger.sign_in_ca_pem, ()), tmp_path / "b.jsonl")  # type: ignore[arg-type]
    api.set_rules(bench.rules)
    bench.api._keys = api._keys
    assert statuses(bench, "second_factor") == [503]


# ---------------------------------------------------------------- tokens alone


def build_signer() -> SignIn:
    return SignIn("https://id.example", AUDIENCE, (USER,))


RULES = Operators("https://id.example", AUDIENCE, True)


def claims(**changes: Any) -> dict[str, Any]:
    now = int(time.time())
    right = {"iss": "https://id.example", "aud": AUDIENCE, "sub": "operator", "client_id": "desk", "iat": now,
             "exp": now + 60, "jti": "1", "amr": ["pwd", "otp"]}  # fmt: skip
    return {k: v for k, v in (right | changes).items() if v is not None}


def judge_token(sign_in: SignIn, token: str, rules: Operators = RULES) -> str:
    try:
        key_id = read_key_id(token)
        return verify(token, sign_in.key.jwk if key_id == sign_in.key.id else None, rules).subject
    except TokenError as error:
        return error.reason


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, "operator"),
        ({"aud": ["other", AUDIENCE]}, "operator"),  # RFC 7519 section 4.1.3: a list that holds it
        ({"amr": ["mfa"]}, "operator"),
        ({"amr": ["pwd"]}, "second_factor"),
        ({"amr": ["otp"]}, "second_factor"),  # one factor, whichever it is
        ({"amr": ["otp", "hwk"]}, "second_factor"),  # two of one kind (RFC 8176 section 2, mfa)
        ({"amr": "mfa"}, "second_factor"),  # RFC 8176 section 1: a list
        ({"amr": None}, "second_factor"),
        ({"exp": int(time.time()) - 60}, "expired"),
        ({"exp": None}, "claims"),
        ({"nbf": int(time.time()) + 86_400}, "not_yet"),
        ({"iss": "https://id.example/"}, "issuer"),  # RFC 9068 section 4: exactly
        ({"aud": "other"}, "audience"),
        ({"aud": None}, "claims"),
        ({"sub": None}, "claims"),
        ({"jti": None}, "claims"),
        ({"client_id": None}, "claims"),
    ],
)
def test_claims_are_judged_each_by_itself(changes: dict[str, Any], expected: str) -> None:
    sign_in = build_signer()
    headers = {"kid": sign_in.key.id, "typ": "at+jwt"}
    token = jwt.encode(claims(**changes), sign_in.key.private, algorithm="ES256", headers=headers)
    assert judge_token(sign_in, token) == expected


def test_every_wrong_token_is_refused_for_its_own_reason() -> None:
    sign_in = build_signer()
    for kind, wrong in tries.WRONG.items():
        token = sign_in.mint_wrong(kind, "operator", time.time())
        assert judge_token(sign_in, token) == wrong.reason, kind
    with pytest.raises(KeyError):
        sign_in.mint_wrong("right", "operator", time.time())
    assert (tries.OTHER_AUDIENCE, tries.OTHER_ISSUER) == (OTHER_AUDIENCE, OTHER_ISSUER)


def test_a_key_of_another_use_or_kind_is_not_taken() -> None:
    sign_in = build_signer()
    _, answer = sign_in.grant(form(totp=make_code(USER.totp_secret, find_step(1000))), 1000.0)
    token = answer["access_token"]
    for change in ({"use": "enc"}, {"kty": "oct", "k": "AAAA"}, {"alg": "RS256"}):
        with pytest.raises(TokenError, match="unknown_key"):
            verify(token, sign_in.key.jwk | change, RULES)


def test_a_header_twice_is_no_token() -> None:
    with pytest.raises(TokenError, match="malformed"):
        read_token(["Bearer a.b.c", "Bearer d.e.f"], {})


def test_kinds_of_factor() -> None:
    assert has_second_factor(("pwd", "hwk")) and has_second_factor(("fpt", "pin"))
    assert not has_second_factor(("pwd", "pin")) and not has_second_factor(()) and not has_second_factor(("user",))


# ---------------------------------------------------------------- signing in


def form(**changes: str) -> dict[str, str]:
    return {"grant_type": "password", "username": USER.name, "password": USER.password} | changes


def methods(answer: dict[str, Any]) -> list[str]:
    found: list[str] = jwt.decode(answer["access_token"], options={"verify_signature": False})["amr"]
    return found


def test_a_token_says_what_was_presented() -> None:
    sign_in = build_signer()
    status, answer = sign_in.grant(form(), 1000.0)
    assert (status, methods(answer)) == (200, ["pwd"])
    status, answer = sign_in.grant(form(totp=make_code(USER.totp_secret, find_step(1000))), 1000.0)
    assert (status, methods(answer)) == (200, ["pwd", "otp", "mfa"])


def test_a_code_is_taken_once_and_one_step_late_at_most() -> None:
    """RFC 6238 section 5.2."""
    sign_in, at_s = build_signer(), 30_000.0

    def status(step: int) -> int:
        return sign_in.grant(form(totp=make_code(USER.totp_secret, find_step(at_s) + step)), at_s)[0]

    assert [status(-2), status(1), status(-1), status(-1), status(0), status(0), status(-1)] == [
        400, 400, 200, 400, 200, 400, 400,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "error"),
    [
        ({"password": "wrong"}, "invalid_grant"),
        ({"username": "nobody"}, "invalid_grant"),
        ({"totp": "000000x"}, "invalid_grant"),
        ({"totp": ""}, "invalid_grant"),
        ({"grant_type": "implicit"}, "unsupported_grant_type"),
    ],
)
def test_a_wrong_sign_in_gets_nothing(changes: dict[str, str], error: str) -> None:
    status, answer = build_signer().grant(form(**changes), 1000.0)
    assert (status, answer["error"]) == (400, error) and "access_token" not in answer


def test_the_desk_says_when_it_cannot_sign_in(bench: Bench) -> None:
    bench.desk.user = User(USER.name, "wrong", USER.totp_secret)
    with pytest.raises(DeskError, match="400"):
        bench.operate(("second_factor", "GET", DEVICES))
    with pytest.raises(DeskError, match="no kind"):
        bench.operate(("golden", "GET", DEVICES))


# ---------------------------------------------------------------- the audit log


def test_the_log_goes_on_after_a_restart_and_shows_what_was_changed(tmp_path: Path) -> None:
    file = tmp_path / "audit" / "a.jsonl"
    for who in ("a", "b"):
        log = AuditLog(file)
        log.append(1_800_000_000.25, who=who, outcome="success")
        log.close()
    lines = file.read_text().splitlines()
    first = parse(lines[0])
    assert first is not None and (first["at"], first["number"]) == ("2027-01-15T08:00:00.250Z", 0)
    assert find_break(lines) is None
    assert file.stat().st_mode & 0o777 == 0o600
    assert find_break([lines[0].replace('"a"', '"c"'), lines[1]]) == "entry 1 does not follow the one before"
    assert find_break(lines[1:]) == "entry 0 does not follow the one before"
    assert find_break([]) == "no entries"


def test_names_cannot_forge_a_line(tmp_path: Path) -> None:
    log = AuditLog(tmp_path / "a.jsonl")
    log.append(0.0, who='x"}\n{"number": 1')
    log.close()
    assert len((tmp_path / "a.jsonl").read_text().splitlines()) == 1
