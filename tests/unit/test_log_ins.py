"""Failed log-ins and passwords on the device: counting, rules, history, the operator's own commands."""

import dataclasses
import io
import json
import os
import random
import socket
import subprocess
import sys
import tempfile
import threading
import unicodedata
from datetime import UTC, datetime
from pathlib import Path

import pytest

from emulators.common import controls
from emulators.common.controls import Lockout, Passwords
from emulators.common.device_config import Administration
from emulators.common.password_shapes import make_password
from emulators.router.runtime.apply import operator_desk, operator_shell, password_store
from emulators.router.runtime.apply.check_log_ins import check_log_ins
from emulators.router.runtime.apply.login_failures import MOST_SOURCES, FailureCount, find_failure
from emulators.router.runtime.apply.operator_desk import Desk
from emulators.router.runtime.apply.parts.administration import CONF, render
from emulators.router.runtime.apply.password_library import make_hash, matches
from emulators.router.runtime.apply.password_rules import ANYTHING, Fault, find_fault
from emulators.router.runtime.apply.password_store import PasswordStore
from emulators.router.runtime.apply.source_blocks import parse_blocked, render_table
from harness.checks._password_offers import list_refused, list_reused, list_taken
from harness.core import sections
from harness.core.model import Plan
from harness.core.sample import build_plan
from harness.core.sections import Logging
from harness.lab.bench_links import build_links
from harness.lab.compose_file import load_topology
from harness.lab.device_seed import build_config
from harness.lab.pki import Subjects, make_pki
from harness.profile.schema_controls import NAMED_POLICIES

PCI, NIST = NAMED_POLICIES["pci-dss-4"], NAMED_POLICIES["nist-sp-800-63b"]


def know_none(_word: str) -> str | None:
    return None


# ---------------------------------------------------------------- sshd's lines

LINES = [
    # As OpenSSH 9.2 of Debian 12 wrote them (seen).
    ("Failed password for operator from 10.200.0.10 port 46750 ssh2", ("10.200.0.10", "operator")),
    ("Failed password for invalid user root from 10.200.0.10 port 46760 ssh2", ("10.200.0.10", "root")),
    (
        "Failed publickey for operator from 10.200.0.10 port 4 ssh2: ECDSA SHA256:hkHvv9Vp2e8j5ZB0N0OBkbfSIn6LV/IJA6r",
        ("10.200.0.10", "operator"),
    ),
    ("Failed keyboard-interactive/pam for operator from 10.200.0.10 port 4 ssh2", ("10.200.0.10", "operator")),
    ("Accepted password for operator from 10.200.0.10 port 46750 ssh2", None),
    ("Failed none for invalid user root from 10.200.0.10 port 4 ssh2", None),
    ("maximum authentication attempts exceeded for operator from 10.200.0.10 port 4 ssh2 [preauth]", None),
    ("Connection closed by authenticating user operator 10.200.0.10 port 46750 [preauth]", None),
    ("", None),
]


@pytest.mark.parametrize(("line", "found"), LINES)
def test_lines_of_sshd(line: str, found: tuple[str, str] | None) -> None:
    assert find_failure(line + "\r\n") == found


@pytest.mark.parametrize(
    "user",
    [
        "x from 192.0.2.9 port 1 ssh2",
        "x from 192.0.2.9 port 1 ssh2: ECDSA SHA256:abc",
        "invalid user y from 192.0.2.9",
        "",
    ],
)
def test_a_name_cannot_point_at_another_source(user: str) -> None:
    found = find_failure(f"Failed password for invalid user {user} from 10.200.0.10 port 7 ssh2")
    assert found is not None
    assert found[0] == "10.200.0.10"


# ---------------------------------------------------------------- counting


def test_the_last_failure_of_the_number_blocks_and_the_count_begins_anew() -> None:
    count = FailureCount(Lockout(3, 60.0, 1800.0))
    assert [count.add("a", at_s) for at_s in (0.0, 1.0, 2.0, 3.0, 4.0, 5.0)] == [False, False, True, False, False, True]


def test_sources_are_counted_apart() -> None:
    count = FailureCount(Lockout(2, 60.0, 1800.0))
    assert [count.add(source, 0.0) for source in ("a", "b", "a", "c")] == [False, False, True, False]


def test_failures_outside_of_the_window_do_not_count() -> None:
    count = FailureCount(Lockout(3, 60.0, 1800.0))
    assert not any(count.add("a", at_s) for at_s in (0.0, 40.0, 60.1, 100.1))
    assert count.add("a", 110.0)  # with those at 60.1 and 100.1


def test_what_is_as_old_as_the_window_still_counts() -> None:
    count = FailureCount(Lockout(2, 60.0, 1800.0))
    assert not count.add("a", 0.0)
    assert count.add("a", 60.0)


def test_one_failure_can_be_too_many() -> None:
    assert FailureCount(Lockout(1, 60.0, 1800.0)).add("a", 0.0)


def test_a_release_forgets() -> None:
    count = FailureCount(Lockout(2, 60.0, 1800.0))
    count.add("a", 0.0)
    count.add("b", 0.0)
    count.forget("a")
    assert not count.add("a", 1.0)
    assert count.add("b", 1.0)
    count.forget()
    assert not count.add("a", 2.0)


def test_memory_has_an_end() -> None:
    count = FailureCount(Lockout(2, 60.0, 1800.0))
    for number in range(MOST_SOURCES + 1):
        count.add(f"source {number}", 0.0)
    assert not count.add("source 0", 1.0)  # forgotten as the first
    assert count.add(f"source {MOST_SOURCES}", 1.0)


def test_what_the_kernel_says_of_blocks() -> None:
    """As nft 1.0.6 printed it (seen)."""
    listed = {
        "nftables": [
            {"metainfo": {"version": "1.0.6", "json_schema_version": 1}},
            {
                "set": {
                    "family": "inet",
                    "name": "blocked",
                    "table": "lockout",
                    "type": "ipv4_addr",
                    "flags": ["timeout"],
                    "elem": [{"elem": {"val": "10.200.0.10", "timeout": 1800, "expires": 1797}}],
                }
            },
        ]
    }
    assert parse_blocked(listed) == [{"source": "10.200.0.10", "seconds_left": 1797}]
    assert parse_blocked({"nftables": [{"set": {"name": "blocked"}}]}) == []
    assert "ip saddr @blocked tcp dport 22 drop" in render_table(22)


# ---------------------------------------------------------------- the rules of standards

RULES = [
    # PCI DSS 4.0.1, 8.3.6: at least 12 characters, both numeric and alphabetic.
    (PCI, "abcdefghijk1", None),
    (PCI, "abcdefghij1", "too_short"),
    (PCI, "123456789012", "no_letter"),
    (PCI, "abcdefghijkl", "no_digit"),
    (PCI, "ÄÖÜäöüßéèñç1", None),  # letters of other scripts are alphabetic too
    # NIST SP 800-63B (revision 3), 5.1.1.2: at least 8, at least 64 permitted, all printing ASCII, space and Unicode
    # accepted, each code point one character, no other rules of composition.
    (NIST, "abcdefgh", None),
    (NIST, "abcdefg", "too_short"),
    (NIST, "12345678", None),
    (NIST, "a b c d ", None),
    (NIST, "".join(map(chr, range(0x20, 0x60))), None),
    (NIST, "".join(map(chr, range(0x20, 0x61))), "too_long"),
    (NIST, "".join(map(chr, range(0x3F, 0x7F))), None),
    (NIST, "x" * 64, None),
    (NIST, "жжжжжжжж", None),
    (NIST, "жжжжжжж", "too_short"),  # 14 octets, 7 code points
    (NIST, "ж" * 64, None),
    # A log-in takes one line.
    (NIST, "abcdefgh\n", "characters"),
    (NIST, "abcd\0efgh", "characters"),
    (NIST, "abcdefg\udcff", "characters"),
    # crypt(3): no more than 511 octets.
    (ANYTHING, "ж" * 255, None),
    (ANYTHING, "\N{PILE OF POO}" * 128, "too_long"),
    (ANYTHING, "", "too_short"),
]


@pytest.mark.parametrize(("rules", "new", "word"), RULES)
def test_rules(rules: Passwords, new: str, word: str | None) -> None:
    fault = find_fault(rules, new, know_none)
    assert (fault.word if fault else None) == word


def test_named_policies_are_those_of_their_standards() -> None:
    # PCI DSS 4.0.1, 8.3.6 and 8.3.7; NIST SP 800-63B (revision 3), 5.1.1.2.
    assert (PCI.least, set(PCI.needs), PCI.refuse_last) == (12, {"letter", "digit"}, 4)
    assert (NIST.least, NIST.needs, NIST.refuse_common) == (8, (), True)
    assert NIST.most >= 64


def test_common_words_are_asked_for_only_where_they_matter() -> None:
    assert find_fault(NIST, "qwerty12", lambda word: f"{word} is common") == Fault("common", "qwerty12 is common")
    assert find_fault(ANYTHING, "qwerty12", lambda word: f"{word} is common") is None


# ---------------------------------------------------------------- hashes and history

VECTORS = [
    # U. Drepper, "Unix crypt using SHA-256 and SHA-512", the test vectors for $6$. (None of yescrypt is at hand.)
    (
        "Hello world!",
        "$6$saltstring$svn8UoSVapNtMuq1ukKS4tPQd8iKwSMHWjl/O817G3uBnIFNjnQJuesI68u4OTLiBFdcbYEdFCoEOfaS35inz1",
    ),
    (
        "Hello world!",
        "$6$rounds=10000$saltstringsaltst$OW1/O6BYHV6BcXZu8QVeXbDWra3Oeqh0sbHbbMCVNSnCM/UrjmM0Dp8vOuZeHBy/YTBmSK6H9qs/"
        "y3RnOaw5v.",
    ),
]


@pytest.mark.parametrize(("password", "hashed"), VECTORS)
def test_published_hashes(password: str, hashed: str) -> None:
    assert matches(password, hashed)
    assert not matches(password + "x", hashed)


def test_own_hashes() -> None:
    made = make_hash("a pier at dusk")
    assert made.startswith("$y$")
    assert made != make_hash("a pier at dusk")
    assert matches("a pier at dusk", made)
    assert not matches("a pier at dusk\0", made)
    assert not matches("a pier at dus", made)
    assert not matches("anything", "*")


def open_store(path: Path, rules: Passwords, first: str = "first one", user: str = "operator") -> PasswordStore:
    return PasswordStore(path, user, first, rules, lambda hashed: path.with_suffix(".hash").write_text(hashed))


@pytest.fixture
def words(monkeypatch: pytest.MonkeyPatch) -> None:
    """cracklib is in the device's image, not on every machine that runs tests; what it knows is tried in the lab."""
    monkeypatch.setattr(password_store, "find_common", know_none)


def change(store: PasswordStore, old: str, new: str) -> str | None:
    fault = store.change(old, new)
    return fault.word if fault else None


@pytest.mark.usefixtures("words")
def test_the_first_password_is_for_one_change(tmp_path: Path) -> None:
    path = tmp_path / "password.json"
    store = open_store(path, NIST)
    assert store.must_change
    assert change(store, "another", "tide tables") == "wrong_old"
    assert change(store, "first one", "first one") == "first"
    assert change(store, "first one", "tide tables") is None
    assert not store.must_change
    assert matches("tide tables", path.with_suffix(".hash").read_text())
    assert change(store, "first one", "other tides") == "wrong_old"
    assert change(store, "tide tables", "first one") == "first"
    assert "tide" not in path.read_text()


@pytest.mark.usefixtures("words")
def test_none_of_the_last_four(tmp_path: Path) -> None:
    """PCI DSS 4.0.1, 8.3.7: not the same as any of the last four passwords used."""
    store = open_store(tmp_path / "password.json", PCI)
    used = [f"mooring line {number}" for number in range(5)]
    for old, new in zip(["first one", *used], used, strict=False):
        assert change(store, old, new) is None
    for new in used[1:]:
        assert change(store, used[-1], new) == "reused"
    assert change(store, used[-1], used[0]) is None


@pytest.mark.usefixtures("words")
def test_a_password_outlives_a_start_and_a_reset_forgets_nothing(tmp_path: Path) -> None:
    path = tmp_path / "password.json"
    assert change(open_store(path, PCI), "first one", "mooring line 1") is None
    again = open_store(path, PCI)
    assert not again.must_change
    again.reset()
    assert open_store(path, PCI).must_change
    assert change(again, "first one", "mooring line 1") == "reused"
    other = open_store(path, PCI, first="another first one")
    assert other.must_change
    assert change(other, "another first one", "mooring line 1") == "reused"
    assert open_store(path, PCI, "another first one", "helmsman").change("another first one", "mooring line 1") is None


@pytest.mark.usefixtures("words")
def test_a_damaged_record_means_the_first_password(tmp_path: Path) -> None:
    path = tmp_path / "password.json"
    path.write_text("{}")
    assert open_store(path, NIST).must_change


# ---------------------------------------------------------------- the operator's commands


def test_the_desk_answers_and_goes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = str(tmp_path / "desk")
    monkeypatch.setattr(operator_shell, "DESK", path)
    me = tmp_path.stat().st_uid

    def refuse(_question: dict[str, object]) -> dict[str, object]:
        raise ValueError("not here")

    desk = Desk({"say": lambda question: {"said": question["word"]}, "refuse": refuse}, me, path)
    try:
        assert operator_shell.ask({"do": "say", "word": "ahoy"}) == {"ok": True, "said": "ahoy"}
        assert operator_shell.ask({"do": "refuse"})["word"] == "not_understood"
        for question in ({"do": "sink"}, {}, [1]):
            assert operator_shell.ask(question)["ok"] is False  # type: ignore[arg-type]
    finally:
        desk.stop()
    with pytest.raises(OSError, match=r"No such file|refused"):
        operator_shell.ask({"do": "say", "word": "ahoy"})


def test_the_desk_answers_nobody_else() -> None:
    """It is a desk for another account; uid 0 may always ask, so root's test asks as somebody else."""
    code = (
        "import socket, sys\n"
        "desk = socket.socket(socket.AF_UNIX)\n"
        "desk.connect(sys.argv[1])\n"
        "try:\n"
        '    desk.sendall(b\'{"do": "say"}\\n\')\n'
        "    print(desk.makefile().readline() or 'silence')\n"
        "except ConnectionError:\n"  # hung up on before the question was read
        "    print('silence')\n"
    )
    asker = [sys.executable, "-I", "-S", "-c", code]
    if os.geteuid() == 0:
        asker = ["setpriv", "--reuid", "65534", "--clear-groups", *asker]
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        desk = Desk({"say": lambda _question: {}}, 4242, f"{folder}/desk")
        try:
            done = subprocess.run([*asker, f"{folder}/desk"], capture_output=True, text=True, check=False, timeout=20)
        finally:
            desk.stop()
    assert done.stdout.strip() == "silence", done.stderr


@pytest.fixture
def device(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, bool]:
    """A device whose first password is still to be changed, until a test says otherwise."""
    state = {"must_change": True}

    def ask(question: dict[str, object]) -> dict[str, object]:
        return {"ok": True, **state} if question == {"do": "state"} else {"ok": True, "asked": question}

    monkeypatch.setattr(operator_shell, "ask", ask)
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"old one\n new  one \n")))
    monkeypatch.setattr("os.execv", lambda path, words: (_ for _ in ()).throw(SystemExit(f"{path} {words}")))
    monkeypatch.setenv("SSH_USER_AUTH", str(tmp_path / "auth"))
    return state


def open_session(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, method: str, command: str) -> int:
    (tmp_path / "auth").write_text(f"{method}\n")
    monkeypatch.setenv("SSH_ORIGINAL_COMMAND", command)
    return operator_shell.main()


@pytest.mark.usefixtures("device")
@pytest.mark.parametrize(
    "command", ["", "id", "show-blocked", "release-blocked", "reset-password", "change-password;id"]
)
def test_the_first_password_opens_nothing(
    command: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert open_session(monkeypatch, tmp_path, "password", command) == 1
    assert json.loads(capsys.readouterr().out)["word"] == "must_change"


@pytest.mark.usefixtures("device")
def test_the_first_password_opens_its_change(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert open_session(monkeypatch, tmp_path, "password", "change-password") == 0
    asked = json.loads(capsys.readouterr().out)["asked"]
    assert asked == {"do": "change-password", "old": "old one", "new": " new  one "}  # blanks are characters


@pytest.mark.usefixtures("device")
def test_a_key_opens_everything(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    with pytest.raises(SystemExit, match="'-c', 'id'"):
        open_session(monkeypatch, tmp_path, "publickey ecdsa-sha2-nistp256 AAAA", "id")


def test_a_changed_password_opens_everything(
    device: dict[str, bool], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    device["must_change"] = False
    with pytest.raises(SystemExit, match="'-c', 'id'"):
        open_session(monkeypatch, tmp_path, "password", "id")
    assert open_session(monkeypatch, tmp_path, "password", "release-blocked 10.200.0.10") == 0
    assert json.loads(capsys.readouterr().out)["asked"] == {"do": "release-blocked", "source": "10.200.0.10"}


@pytest.mark.usefixtures("device")
def test_unknown_methods_are_taken_for_a_password(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("SSH_ORIGINAL_COMMAND", "id")
    monkeypatch.delenv("SSH_USER_AUTH")
    assert operator_shell.main() == 1


# ---------------------------------------------------------------- the configuration

KEY = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIAABAgMEBQYHCAkKCwwNDg8QERITFBUWFxgZGhscHR4f"
FAULTS = [
    (Administration("op", (), ("hq",), "", None, None), "administration.password"),
    (Administration("op", (), ("hq",), "a\nb", None, None), "administration.password"),
    (Administration("op", (), ("hq",), "x" * 512, None, None), "administration.password"),
    (Administration("op", (), ("hq",), None, Lockout(0, 60.0, 60.0)), "administration.lockout.failures"),
    (Administration("op", (), ("hq",), None, Lockout(1, 0.0, 60.0)), "administration.lockout.within_s"),
    (Administration("op", (), ("hq",), None, Lockout(1, 60.0, -1.0)), "administration.lockout.block_s"),
    (Administration("op", (), ("hq",), None, Lockout(1, 60.0, float("nan"))), "administration.lockout.block_s"),
    (
        Administration("op", (), ("hq",), None, None, Passwords("own", 9, 8, (), 0, False)),
        "administration.passwords.least",
    ),
    (
        Administration("op", (), ("hq",), None, None, Passwords("own", 8, 64, (), 25, False)),
        "administration.passwords.refuse_last",
    ),
    (Administration("op", (), ("hq",), "first one", Lockout(5, 60.0, 1800.0), PCI), None),
]


@pytest.mark.parametrize(("administration", "key"), FAULTS)
def test_what_cannot_be_applied(administration: Administration, key: str | None) -> None:
    assert [found for found, _ in check_log_ins(administration)] == ([key] if key else [])


@pytest.mark.parametrize(
    ("keys", "password", "methods", "pam"),
    [
        ((KEY,), None, "publickey", "no"),
        ((KEY,), "first one", "publickey password", "yes"),
        ((), "first one", "password", "yes"),
        ((), None, "publickey", "no"),
    ],
)
def test_sshd_takes_what_the_configuration_names(
    keys: tuple[str, ...], password: str | None, methods: str, pam: str
) -> None:
    class Config:
        administration = Administration("operator", keys, ("hq",), password)

    files = render(Config(), None)  # type: ignore[arg-type]
    lines = files[CONF].splitlines()
    assert f"AuthenticationMethods {methods}" in lines
    assert f"UsePAM {pam}" in lines
    assert f"PasswordAuthentication {pam}" in lines
    assert "PermitRootLogin no" in lines
    assert all("first one" not in text for text in files.values())


# ---------------------------------------------------------------- what the lab tells the device, and tries it from


def find_endpoint_addresses(plan: Plan) -> tuple[str, ...]:
    service = load_topology().services["hq-endpoint"]
    return next(link.addresses for link in build_links(plan, service) if link.name == "hqlan")


def test_log_ins_are_tried_from_two_addresses() -> None:
    plan = build_plan()
    assert find_endpoint_addresses(plan) == ("10.200.0.10/24", "10.200.0.254/24")
    logging = Logging("10.200.0.20", 514, "udp", "info")
    assert find_endpoint_addresses(build_plan(logging=logging)) == ("10.200.0.10/24", "10.200.0.20/24")
    assert find_endpoint_addresses(build_plan(administration=None)) == ("10.200.0.10/24",)


def test_a_lan_without_room_keeps_its_gateway() -> None:
    tunnel = dataclasses.replace(build_plan().branch.tunnel, remote_subnets=("10.200.0.8/30",))
    assert find_endpoint_addresses(build_plan(tunnel=tunnel)) == ("10.200.0.10/30",)


@pytest.mark.parametrize(
    ("methods", "is_told"), [(("key",), False), (("key", "password"), True), (("password",), True)]
)
def test_the_first_password_goes_to_a_device_that_takes_one(methods: tuple[str, ...], is_told: bool) -> None:
    operator = sections.Administration("operator", ("hq",), methods, Lockout(5, 60.0, 1800.0), PCI)  # type: ignore[arg-type]
    branch = build_plan(administration=operator).branch
    subjects = Subjects("SK-1", "02:5b:00:00:00:11", ("ztp.skerry.example",), "hq.skerry.example", "kiosk.example")
    pkis = [make_pki(subjects, datetime.now(UTC), datetime(2024, 1, 1, tzinfo=UTC)) for _ in range(2)]
    told = [build_config(branch, {"env:SKERRY_KEY": "secret"}, pki)["administration"] for pki in pkis]
    assert [each["password"] for each in told] == [pki.operator_password if is_told else None for pki in pkis]
    assert pkis[0].operator_password != pkis[1].operator_password  # PCI DSS 4.0.1, 8.3.5: unique
    assert pkis[0].operator_password not in repr(pkis[0])
    assert told[0]["lockout"] == {"failures": 5, "within_s": 60.0, "block_s": 1800.0}


# ---------------------------------------------------------------- what is offered

KINDS = {
    "letter": str.isalpha,
    "digit": str.isdecimal,
    "space": str.isspace,
    "unicode": lambda character: ord(character) > 127,
}


@pytest.mark.parametrize("length", [1, 2, 5, 8, 12, 64, 256])
@pytest.mark.parametrize("kinds", [("letter",), ("digit",), ("letter", "digit"), ("unicode",), ("letter", "space")])
def test_shapes(length: int, kinds: tuple[str, ...]) -> None:
    chance = random.Random(length)
    for _ in range(50):
        made = make_password(length, kinds, chance)
        assert len(made) == length
        assert all(any(KINDS[kind](character) for kind in kinds) for character in made)
        drawn = [kind for kind in kinds if kind != "space" or length > 3]
        assert all(any(KINDS[kind](character) for character in made) for kind in drawn[:length])
        assert unicodedata.normalize("NFC", made) == made


@pytest.mark.parametrize(
    "rules",
    [PCI, NIST, controls.Passwords("own", 1, 8, (), 1, False), controls.Passwords("own", 20, 20, ("digit",), 24, True)],
)
def test_offers_stand_on_the_side_of_the_rules_that_they_say(rules: Passwords) -> None:
    chance = random.Random(7)

    def is_common(word: str) -> str | None:
        return "common" if "qwerty" in word else None

    def fill(args: dict[str, object]) -> str:
        return str(args.get("text") or make_password(int(str(args["length"])), args["kinds"], chance))  # type: ignore[arg-type]

    for offer in (*list_refused(rules), *list_taken(rules)):
        if not offer.args.get("first"):
            assert (find_fault(rules, fill(offer.args), is_common) is None) is offer.is_taken, offer
    assert len(list_taken(rules)) > rules.refuse_last
    names = [offer.name for offers in (list_refused(rules), list_taken(rules), list_reused(rules)) for offer in offers]
    assert len(set(names)) == len(names)
    oldest = [offer.args["again"] for offer in list_reused(rules) if offer.is_taken]
    assert oldest == ([rules.refuse_last + 1] if rules.refuse_last else [])


def test_sessions_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = str(tmp_path / "desk")
    monkeypatch.setattr(operator_shell, "DESK", path)
    desk = Desk({"say": lambda question: {"said": question["word"]}}, tmp_path.stat().st_uid, path)
    answers: list[object] = []
    try:
        idle = socket.socket(socket.AF_UNIX)
        idle.connect(path)  # says nothing, and holds nobody up
        threads = [
            threading.Thread(target=lambda word=word: answers.append(operator_shell.ask({"do": "say", "word": word})))
            for word in range(8)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(5.0)
        idle.close()
    finally:
        desk.stop()
    assert sorted(answer["said"] for answer in answers) == list(range(8))  # type: ignore[index]


def test_the_desk_is_the_shells() -> None:
    assert operator_desk.SOCKET == operator_shell.DESK
