"""The device's side of RFC 8572: the order of things in bootstrap, as a sequence of effects. Layer: runtime, pure.

`bootstrap` is a generator. It yields what is to be done (an effect) and is sent what came of it; it never touches a
socket, a file or a clock. The shell that carries the effects out is bootstrap_shell.py; a test can be one too.

    for each server (5.2), for ever, with a pause between rounds
      get-bootstrapping-data
        redirect-information   -> the servers that it names, at most MAX_REDIRECTS deep
        onboarding-information -> initiated, parse, image [, reboot], pre-script, configuration, post-script, complete

Laws: no progress report to a server that is not trusted (5.6). Anything but 204 on bootstrap-initiated or
bootstrap-complete is an error (5.6). An error ends this document, is reported if it can be, leaves nothing active, and
the enclosing loop goes on. A configuration counts only once management was reached again over it.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, replace
from typing import Any

from emulators.common.conveyed import BootImage, ConveyedError, Onboarding, Redirect, parse, unwrap
from emulators.common.yang_json import EMPTY, GET_DATA, INPUT, OUTPUT, REPORT, YangError, decode_binary

from .bootstrap_effects import (
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

MAX_REDIRECTS = 10  # RFC 8572 §5.3: the limit SHOULD be no more than 10
MAX_RETRIES = 3  # our choice: how often one server may ask to be asked later before the next one is tried
MAX_RETRY_AFTER_S = 300.0  # our choice: a longer Retry-After is cut to this, so that other servers get their turn
ROUND_PAUSES_S = (1.0, 2.0, 4.0, 8.0, 16.0, 30.0)  # common practice: doubling, capped
REACH_PAUSE_S = 2.0  # our choice: between two tries to reach management over a new configuration
OPERATIONS = "/restconf/operations/"  # RFC 8040 §3.6 under the root that RFC 8572 §7.2 uses

Steps = Generator[Effect, Any, bool]


@dataclass(frozen=True, slots=True)
class Device:
    """What the device says and knows of itself. `confirm_s`: how long management may take to be reached again."""

    hw_model: str
    os_name: str
    os_version: str
    trial: bool


@dataclass(frozen=True, slots=True)
class Completed:
    """Bootstrap is complete. `digest`: of the configuration that is active now, None when none was served."""

    server: Server
    digest: str | None


def bootstrap(
    device: Device, servers: tuple[Server, ...], most_rounds: int | None = None
) -> Generator[Effect, Any, Completed | None]:
    """Run the bootstrapping sequence (RFC 8572 §5.2) until a server brought it to its end; None after `most_rounds`."""
    rounds = 0
    while True:
        for server in servers:
            run = _Run(device)
            if (yield from run.try_server(server, 0)):
                assert run.completed is not None
                return run.completed
        pause_s = ROUND_PAUSES_S[min(rounds, len(ROUND_PAUSES_S) - 1)]
        rounds += 1
        if rounds == most_rounds:
            return None
        yield Note("round.ended", f"no server brought bootstrap to its end; next round in {pause_s:g} s")
        yield Sleep(pause_s)


class _Run:
    """One server's turn. `completed` is set when `try_server` returns True."""

    def __init__(self, device: Device) -> None:
        self._device = device
        self._verbose = False
        self._anchors: list[str] = []
        self.completed: Completed | None = None

    def try_server(self, server: Server, depth: int) -> Steps:
        """Process one server, and those that it redirects to."""
        if server.trust_pem is not None and server.trust_pem not in self._anchors:
            self._anchors.append(server.trust_pem)
        artifact = yield from self._get_data(server)
        if artifact is None:
            return False
        try:
            information = parse(unwrap(artifact))
        except ConveyedError as error:
            yield from self._fail(server, "parsing-error", str(error))
            return False
        if isinstance(information, Redirect):
            return (yield from self._follow(server, information, depth))
        if server.trust_pem is None:
            yield Note("refused", f"{server}: unsigned onboarding information from an untrusted server (RFC 8572 §5.3)")
            return False
        return (yield from self._onboard(server, information))

    def _get_data(self, server: Server) -> Generator[Effect, Any, bytes | None]:
        body: dict[str, Any] = {"signed-data-preferred": EMPTY}  # §9.6: all that an untrusted server is told
        if server.trust_pem is not None:
            device = self._device
            body = {"hw-model": device.hw_model, "os-name": device.os_name, "os-version": device.os_version}
        yield Note("requested", f"{server}: get-bootstrapping-data")
        answer = yield from self._ask(server, GET_DATA, body)
        if not isinstance(answer, Answer) or answer.status != 200:
            yield Note("failed", f"{server}: expected bootstrapping data, saw {answer}")
            return None
        try:
            output = answer.json[OUTPUT]
            self._verbose = output.get("reporting-level", "minimal") == "verbose"
            return decode_binary("conveyed-information", output["conveyed-information"])
        except (TypeError, KeyError, AttributeError, YangError) as error:
            yield from self._fail(server, "parsing-error", f"expected {OUTPUT} with conveyed-information: {error!r}")
            return None

    def _ask(self, server: Server, rpc: str, members: dict[str, Any]) -> Generator[Effect, Any, Answer | Failure]:
        """Invoke an RPC; where the server says when to come back (RFC 9110 §10.2.3), come back."""
        for tries in range(MAX_RETRIES + 1):
            answer: Answer | Failure = yield Ask(server, OPERATIONS + rpc, {INPUT: members})
            if not isinstance(answer, Answer) or answer.status not in (429, 503) or answer.retry_after_s is None:
                return answer
            if tries == MAX_RETRIES:
                break
            pause_s = min(answer.retry_after_s, MAX_RETRY_AFTER_S)
            yield Note("deferred", f"{server}: {answer.status}, again in {pause_s:g} s")
            yield Sleep(pause_s)
        return answer

    def _follow(self, server: Server, redirect: Redirect, depth: int) -> Steps:
        if depth >= MAX_REDIRECTS:
            yield Note("refused", f"{server}: more than {MAX_REDIRECTS} redirects in a row")
            return False
        for entry in redirect.servers:
            # §5.5: an anchor counts only from a trusted server; without one the next server is not trusted
            trust = entry.trust_pem if server.trust_pem is not None else None
            target = Server(entry.address, entry.port, trust)
            yield Note("redirected", f"{server} to {target}{'' if trust else ', untrusted'}")
            if (yield from self.try_server(target, depth + 1)):
                return True
        return False

    def _onboard(self, server: Server, information: Onboarding) -> Steps:
        """Process onboarding information of a trusted server (RFC 8572 §5.6)."""
        if not (yield from self._report(server, "bootstrap-initiated")):
            yield from self._fail(server, "bootstrap-error", "bootstrap-initiated was not answered with 204")
            return False
        yield from self._tell(server, "parsing-initiated")
        yield from self._tell(server, "parsing-complete")
        if information.boot_image is not None and not (yield from self._match_image(server, information.boot_image)):
            return False
        if self._device.trial:
            yield ConfirmSlot()  # the release is the wanted one and reaches its server: it is well
        for script, kind in ((information.pre_script, "pre-script"), (information.post_script, "post-script")):
            if script is not None:  # refused before anything is changed, so that nothing is left active
                yield from self._fail(server, f"{kind}-error", "this release does not execute scripts")
                return False
        digest = None
        if information.configuration is not None:
            digest = yield from self._configure(server, information)
            if digest is None:
                return False
        return (yield from self._complete(server, digest))

    def _match_image(self, server: Server, image: BootImage) -> Steps:
        """Return whether the running image is the wanted one; fetch, install and reboot where it is not."""
        yield from self._tell(server, "boot-image-initiated")
        device = self._device
        if image.os_name in (None, device.os_name) and image.os_version in (None, device.os_version):
            yield from self._tell(server, "boot-image-complete", f"running {device.os_name} {device.os_version}")
            return True
        yield from self._tell(server, "boot-image-mismatch", f"running {device.os_name} {device.os_version}")
        problems = []
        for uri in image.download_uris:
            # §5.3: trusted is who an anchor answers for that the device has had, or learnt from a trusted server
            lender = replace(server, trust_pem="\n".join(self._anchors))
            fetched: Fetched | Failure = yield Fetch(uri, image.sha256, lender)
            problem = fetched if isinstance(fetched, Failure) else (yield Install(image.os_version))
            if not isinstance(problem, Failure):
                yield from self._report(server, "boot-image-installed-rebooting", f"{image.os_name} {image.os_version}")
                yield Reboot(f"release {image.os_version} was installed")
                return False
            problems.append(f"{uri}: {problem}")
            yield from self._tell(server, "boot-image-warning", problems[-1])
        yield from self._fail(server, "boot-image-error", "; ".join(problems) or "no download-uri")
        return False

    def _configure(self, server: Server, information: Onboarding) -> Generator[Effect, Any, str | None]:
        """Commit the configuration; keep it only when management is reached again. Returns its digest or None."""
        yield from self._tell(server, "config-initiated")
        if information.handling != "replace":
            yield from self._fail(server, "config-error", "the document is a whole one: merge is not supported")
            return None
        applied: Done | Failure = yield Apply(information.configuration or b"")
        if isinstance(applied, Failure):
            yield from self._fail(server, "config-error", str(applied))
            return None
        if (
            yield from self._reach(
                server, "config-complete", f"configuration sha256 {applied.digest}", applied.within_s
            )
        ):
            return applied.digest
        reason = f"management was not reached over the new configuration within {applied.within_s:g} s"
        yield RollBack(reason)
        yield from self._fail(server, "config-error", reason)
        return None

    def _reach(self, server: Server, kind: str, message: str, within_s: float) -> Steps:
        """Send one report until it is answered with 204 or the time is up."""
        began_s = yield Now()
        while True:
            if (yield from self._report(server, kind, message)):
                return True
            now_s = yield Now()
            if now_s - began_s + REACH_PAUSE_S >= within_s:
                return False
            yield Sleep(REACH_PAUSE_S)

    def _complete(self, server: Server, digest: str | None) -> Steps:
        message = f"configuration sha256 {digest}" if digest else "no configuration was served"
        if not (yield from self._report(server, "bootstrap-complete", message)):
            if digest is not None:
                yield RollBack("bootstrap-complete was not answered with 204")
            yield from self._fail(server, "bootstrap-error", "bootstrap-complete was not answered with 204")
            return False
        yield Confirm(server)
        self.completed = Completed(server, digest)
        return True

    def _tell(self, server: Server, kind: str, message: str | None = None) -> Steps:
        """Send a report that only a verbose server wants."""
        return (yield from self._report(server, kind, message)) if self._verbose else True

    def _fail(self, server: Server, kind: str, message: str) -> Steps:
        yield Note("failed", f"{server}: {kind}: {message}")
        if server.trust_pem is not None:
            yield from self._report(server, kind, message)
        return False

    def _report(self, server: Server, kind: str, message: str | None = None) -> Steps:
        """Send a progress report. Returns whether it was answered as it must be, with 204."""
        yield Note(kind, message or "")
        members = {"progress-type": kind} if message is None else {"progress-type": kind, "message": message}
        answer = yield from self._ask(server, REPORT, members)
        if isinstance(answer, Answer) and answer.status == 204:
            return True
        yield Note("failed", f"{server}: {kind}: expected 204 No Content, saw {answer}")
        return False
