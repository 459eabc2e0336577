"""The bootstrap client and the management server, both as pure machines, over a wire that is a function call.

The clock jumps: it moves only when the client sleeps. Every message in both directions is checked against the
published YANG modules of RFC 8572.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest
import yang_models

from emulators.common.conveyed import BootImage, RedirectServer, render_onboarding, render_redirect, wrap
from emulators.common.yang_json import GET_DATA, INPUT, MEDIA_TYPE, OUTPUT, decode_binary, encode_binary
from emulators.management.machine import InventoryEntry, ManagementMachine
from emulators.management.render import Offer
from emulators.management.restconf import Request
from emulators.router.runtime.bootstrap_effects import (
    Answer,
    Apply,
    Ask,
    Confirm,
    ConfirmSlot,
    Done,
    Effect,
    Failure,
    Fetch,
    Fetched,
    Install,
    Note,
    Now,
    Reboot,
    RollBack,
    Server,
    Sleep,
)
from emulators.router.runtime.bootstrap_machine import Completed, Device, bootstrap
from harness.lab.pki import Subjects, make_pki

IMAGE = BootImage("bench-os", "2.0.0", ("https://m.example/i", "http://m.example/i"), bytes(32))
CONFIGURATION = b'{"hostname":"pier-1"}'
TRUSTED = Server("m.example", 443, "anchor")
Reply = Callable[[Ask, float], Answer | Failure]


def make_certificate(serial: str, mac: str) -> bytes:
    from datetime import UTC, datetime

    from cryptography import x509
    from cryptography.hazmat.primitives.serialization import Encoding

    now = datetime.now(UTC)
    pki = make_pki(Subjects(serial, mac, ("m.example",), "g.example", "b.example"), now, now)
    return x509.load_pem_x509_certificate(pki.device.certificate_pem.encode()).public_bytes(Encoding.DER)


CERTIFICATE = make_certificate("SK-1", "02:00:5e:10:00:01")


def build_management(artifact: bytes | None = None) -> ManagementMachine:
    offer = Offer(artifact or wrap(render_onboarding(IMAGE, CONFIGURATION)), "d1", len(CONFIGURATION))
    entry = InventoryEntry("SK-1", "02:00:5E:10:00:01", "Skerry Line", "pier")
    return ManagementMachine((entry,), "Skerry Line", "pier", offer)


def check_message(path: str, direction: str, value: Any) -> None:
    rpc = path.rpartition(":")[2]
    yang_models.check_rpc(rpc, direction, value[INPUT if direction == "input" else OUTPUT])
    if direction == "output":
        from emulators.common.conveyed import unwrap

        artifact = decode_binary("", value[OUTPUT]["conveyed-information"])
        yang_models.check_conveyed(unwrap(artifact))


def serve(machine: ManagementMachine, reports: list[tuple[str, str | None]]) -> Reply:
    """Return the wire to a management machine. `reports` gathers what it witnessed."""

    def answer(ask: Ask, now_s: float) -> Answer:
        check_message(ask.path, "input", ask.body)
        headers = {"content-type": MEDIA_TYPE, "accept": MEDIA_TYPE}
        body = json.dumps(ask.body).encode()
        exchange = machine.handle(Request("POST", ask.path, headers, body, CERTIFICATE), now_s)
        for event in exchange.events:
            if event.kind == "report.received":
                reports.append((event.data["progress_type"], event.data["message"]))
        if exchange.response.status == 200:
            check_message(ask.path, "output", json.loads(exchange.response.body))
        return Answer(
            exchange.response.status, exchange.response.headers.get("Content-Type", ""), exchange.response.body
        )

    return answer


@dataclass
class Shell:
    """Carries effects out against the wire, and keeps the list of them."""

    reply: Reply
    fetch: Callable[[Fetch], Fetched | Failure] = lambda _: Fetched(17, 0.1, 0, "00" * 32)
    install: Done | Failure = Done()  # noqa: RUF009
    apply: Done | Failure = Done("d1", 20.0)  # noqa: RUF009
    now_s: float = 0.0
    effects: list[Effect] = field(default_factory=list)

    def run(self, release: str, *servers: Server, trial: bool = False, until_s: float = 1000.0) -> Completed | str:
        steps = bootstrap(Device("harbour-1", "bench-os", release, trial), servers or (TRUSTED,))
        result: Any = None
        while self.now_s < until_s:
            try:
                effect = steps.send(result)
            except StopIteration as end:
                return end.value
            self.effects.append(effect)
            if isinstance(effect, Reboot):
                return "rebooted"
            result = self._carry_out(effect)
        return "still trying"

    def _carry_out(self, effect: Effect) -> Any:
        if isinstance(effect, Sleep):
            self.now_s += effect.seconds
        table: dict[type, Callable[[Any], Any]] = {
            Ask: lambda e: self.reply(e, self.now_s),
            Fetch: self.fetch,
            Install: lambda _: self.install,
            Apply: lambda _: self.apply,
            Now: lambda _: self.now_s,
        }
        return table[type(effect)](effect) if type(effect) in table else None

    def did(self, *kinds: type) -> list[Effect]:
        return [effect for effect in self.effects if isinstance(effect, kinds)]


def kinds(reports: list[tuple[str, str | None]]) -> list[str]:
    return [kind for kind, _ in reports]


def test_first_pass_upgrades_and_reboots() -> None:
    reports: list[tuple[str, str | None]] = []
    shell = Shell(serve(build_management(), reports))
    assert shell.run("1.0.0") == "rebooted"
    # RFC 8572 §5.6: initiated first, the image before the configuration, installed-rebooting last
    assert kinds(reports) == [
        "bootstrap-initiated",
        "parsing-initiated",
        "parsing-complete",
        "boot-image-initiated",
        "boot-image-mismatch",
        "boot-image-installed-rebooting",
    ]
    assert shell.did(Apply, Confirm, ConfirmSlot) == []


def test_second_pass_starts_over_and_configures() -> None:
    reports: list[tuple[str, str | None]] = []
    shell = Shell(serve(build_management(), reports))
    assert shell.run("2.0.0", trial=True) == Completed(TRUSTED, "d1")
    assert kinds(reports) == [
        "bootstrap-initiated",
        "parsing-initiated",
        "parsing-complete",
        "boot-image-initiated",
        "boot-image-complete",
        "config-initiated",
        "config-complete",
        "bootstrap-complete",
    ]
    assert reports[-1][1] == "configuration sha256 d1"
    assert shell.did(Apply, ConfirmSlot, Confirm, RollBack) == [ConfirmSlot(), Apply(CONFIGURATION), Confirm(TRUSTED)]


def test_mirrors_are_tried_in_order_and_then_reported() -> None:
    reports: list[tuple[str, str | None]] = []
    shell = Shell(serve(build_management(), reports), fetch=lambda e: Failure("corrupted", e.uri))
    assert shell.run("1.0.0", until_s=1.0) == "still trying"
    assert [e.uri for e in shell.did(Fetch) if isinstance(e, Fetch)] == list(IMAGE.download_uris)
    assert kinds(reports)[-3:] == ["boot-image-warning", "boot-image-warning", "boot-image-error"]
    assert shell.did(Install, Reboot) == []


def test_second_mirror_helps() -> None:
    shell = Shell(
        serve(build_management(), []),
        fetch=lambda e: Fetched(1, 0.1, 0, "") if e.uri.startswith("http:") else Failure("tls", "no"),
    )
    assert shell.run("1.0.0") == "rebooted"


def test_a_release_that_cannot_configure_says_config_error() -> None:
    reports: list[tuple[str, str | None]] = []
    artifact = wrap(render_onboarding(None, CONFIGURATION))
    shell = Shell(serve(build_management(artifact), reports), apply=Failure("unsupported", "upgrade first"))
    assert shell.run("1.0.0", until_s=1.0) == "still trying"
    assert reports[-1] == ("config-error", "unsupported: upgrade first")
    assert shell.did(Confirm) == []


def cut_after(reply: Reply, kind: str, status: int | None) -> Reply:
    """From the report `kind` on, every answer is `status`, or there is none."""
    cut: list[bool] = []

    def answer(ask: Ask, now_s: float) -> Answer | Failure:
        if ask.body[INPUT].get("progress-type") == kind:
            cut.append(True)
        if not cut:
            return reply(ask, now_s)
        return Failure("timeout", "silence") if status is None else Answer(status, "", b"")

    return answer


def test_unreachable_over_the_new_configuration_rolls_back() -> None:
    shell = Shell(cut_after(serve(build_management(), []), "config-complete", None))
    assert shell.run("2.0.0", until_s=25.0) == "still trying"
    assert len(shell.did(RollBack)) == 1
    assert shell.did(Confirm) == []
    at = next(i for i, effect in enumerate(shell.effects) if isinstance(effect, RollBack))
    assert sum(e.seconds for e in shell.effects[:at] if isinstance(e, Sleep)) <= 20.0  # within confirm_s


@pytest.mark.parametrize("status", [200, 404, 500])
@pytest.mark.parametrize("kind", ["bootstrap-initiated", "bootstrap-complete"])
def test_anything_but_204_is_an_error(kind: str, status: int) -> None:
    """RFC 8572 §5.6, for both of these reports; a bootstrap-error must be tried."""
    sent: list[str] = []
    wire = cut_after(serve(build_management(), []), kind, status)

    def watch(ask: Ask, now_s: float) -> Answer | Failure:
        sent.append(ask.body[INPUT].get("progress-type", ask.path))
        return wire(ask, now_s)

    shell = Shell(watch)
    assert shell.run("2.0.0", until_s=1.0) == "still trying"
    assert sent[-1] == "bootstrap-error"
    assert shell.did(Confirm) == []
    assert len(shell.did(RollBack)) == len(shell.did(Apply))  # nothing stays active


def answer_data(document: bytes) -> Answer:
    output = {OUTPUT: {"conveyed-information": encode_binary(wrap(document))}}
    return Answer(200, MEDIA_TYPE, json.dumps(output).encode())


def redirect_to(address: str) -> bytes:
    return render_redirect((RedirectServer(address, 443, None),))


def test_redirects_end_after_ten() -> None:
    """RFC 8572 §5.3: recursion is limited, and the limit SHOULD be no more than 10."""
    asked: list[str] = []

    def answer(ask: Ask, now_s: float) -> Answer:
        asked.append(ask.server.address)
        return answer_data(redirect_to(f"r{len(asked)}.example"))

    shell = Shell(answer)
    assert shell.run("1.0.0", until_s=1.0) == "still trying"
    assert len(asked) == 11  # the first server and ten redirects


def test_a_server_without_anchor_is_told_nothing_and_believed_nothing() -> None:
    """RFC 8572 §5.3, §5.6 and §9.6: only signed-data-preferred is sent; unsigned onboarding is refused; no reports."""
    bodies: list[Any] = []

    def answer(ask: Ask, now_s: float) -> Answer:
        bodies.append((ask.server, ask.body[INPUT]))
        if ask.server.trust_pem is not None:
            return answer_data(redirect_to("other.example"))
        return answer_data(render_onboarding(IMAGE, CONFIGURATION))

    shell = Shell(answer)
    assert shell.run("1.0.0", until_s=1.0) == "still trying"
    assert bodies[1:] == [(Server("other.example", 443, None), {"signed-data-preferred": [None]})]
    assert shell.did(Apply, Fetch) == []


def test_the_server_that_was_asked_for_signed_data_gives_none_unsigned() -> None:
    """RFC 8572 §7.3, signed-data-preferred: unsigned onboarding information MUST NOT be returned."""
    request = json.dumps({INPUT: {"signed-data-preferred": [None]}}).encode()
    path = f"/restconf/operations/{GET_DATA}"
    exchange = build_management().handle(Request("POST", path, {"content-type": MEDIA_TYPE}, request, CERTIFICATE), 0.0)
    assert exchange.response.status == 404
    assert b"conveyed-information" not in exchange.response.body


def test_retry_after_is_waited_for() -> None:
    """RFC 9110 §10.2.3."""
    wire, busy = serve(build_management(), []), [Answer(503, "", b"", 7.0)]
    shell = Shell(lambda ask, now: busy.pop() if busy else wire(ask, now))
    assert shell.run("1.0.0") == "rebooted"
    assert shell.did(Sleep) == [Sleep(7.0)]


def test_a_server_that_stays_busy_is_waited_for_only_before_it_is_asked_again() -> None:
    busy = Answer(503, "", b"", retry_after_s=5.0)
    shell = Shell(lambda ask, now_s: busy)
    shell.run("1.0.0", until_s=16.5)  # three waits, a last question, and the pause of a second between two rounds
    assert [type(e) for e in shell.effects if isinstance(e, Ask | Sleep)][:8] == [Ask, Sleep] * 4
    assert [e.seconds for e in shell.effects if isinstance(e, Sleep)][:4] == [5.0, 5.0, 5.0, 1.0]


def test_rounds_go_on_for_ever_with_growing_pauses() -> None:
    shell = Shell(lambda ask, now: Failure("connect", "refused"))
    assert shell.run("1.0.0", TRUSTED, Server("n.example", 443, "anchor"), until_s=500.0) == "still trying"
    pauses = [e.seconds for e in shell.did(Sleep) if isinstance(e, Sleep)]
    assert pauses == sorted(pauses)
    assert pauses[-1] == 30.0
    asked = [e.server.address for e in shell.did(Ask) if isinstance(e, Ask)]
    assert asked[:4] == ["m.example", "n.example", "m.example", "n.example"]


@pytest.mark.parametrize("body", [b"", b"[]", b'"x"', b"{}", b'{"ietf-sztp-bootstrap-server:output":[]}', b"\xff"])
def test_an_answer_that_cannot_be_read_is_reported(body: bytes) -> None:
    def answer(ask: Ask, now_s: float) -> Answer:
        return Answer(200, MEDIA_TYPE, body) if ask.path.endswith(GET_DATA) else Answer(204, "", b"")

    shell = Shell(answer)
    assert shell.run("1.0.0", until_s=1.0) == "still trying"
    sent = [e.body[INPUT].get("progress-type") for e in shell.did(Ask) if isinstance(e, Ask)]
    assert sent[1:2] == ["parsing-error"]


def test_secrets_stay_out_of_notes() -> None:
    shell = Shell(serve(build_management(), []))
    shell.run("2.0.0")
    assert "pier-1" not in repr(shell.did(Note))
