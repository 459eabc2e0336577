"""Signs, the weighing of rows, and what a person is told: by values, without a lab."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from emulators.common.record import to_json
from harness.commands.explain import load_explained
from harness.core.entries import Evidence, Seen
from harness.core.machine import RunMachine
from harness.core.model import Observation, Plan, StageResult, TapeEntry
from harness.core.registry import load_checks, load_stages
from harness.core.rehearse import Input, list_nominal, rehearse
from harness.core.sample import answered as answers
from harness.core.sample import build_plan
from harness.core.sample import saw as see
from harness.diagnosis.case import Case, build_case, find_checks_end_ns
from harness.diagnosis.causes.general import CAUSES as GENERAL
from harness.diagnosis.diagnose import STOPPED_BESIDE, diagnose
from harness.diagnosis.rows import Cause, Sign, all_passed, never, saw, stopped_at
from harness.diagnosis.signs import (
    all_of,
    among,
    answered,
    any_of,
    both,
    distinct,
    judged,
    matching,
    measured,
    none_of,
    other_than,
    ranged,
    said,
    silent,
    then,
    unfollowed,
    within,
)
from harness.errors import InputError
from harness.reports.diagnosis import Explained, render_diagnosis, render_short
from harness.reports.text import WIDTH
from harness.run_folder import RunFolder

PLAN = build_plan()
REFUSED = see("carrier", "pdn.refused", 2.0, imsi="999700000000017", apn="m2m.skerry.example", cause=27)


def case_of(
    *seen: Observation,
    later: Sequence[Observation] = (),
    stopped: str | None = None,
    results: tuple[StageResult, ...] = (),
    logs: dict[str, str] | None = None,
) -> Case:
    numbered = [Seen(n, o) for n, o in enumerate([*seen, *later])]
    cut = len(seen)
    return Case(PLAN, results, stopped, Evidence(numbered), Evidence(numbered[cut:]), logs or {})


def row(name: str, *needs: Sign, pro: tuple[Sign, ...] = (), contra: tuple[Sign, ...] = ()) -> Cause:
    return Cause(name, name, needs, "tell", "bench", "site", "Say it.", pro, contra)


def numbers(sign: Sign, case: Case) -> tuple[int, ...] | None:
    found = sign.find(case)
    return None if found is None else tuple(s.index for s in found)


# ---------------------------------------------------------------- signs


def test_saw_counts_and_points() -> None:
    case = case_of(REFUSED, replace(REFUSED, at_ns=4 * 10**9), later=[replace(REFUSED, at_ns=3 * 10**9)])
    assert numbers(saw("", "carrier", "pdn.refused", cause=27), case) == (0, 2, 1), "in the order of time"
    assert numbers(saw("", "carrier", "pdn.refused", least=4), case) is None
    assert numbers(saw("", "carrier", "pdn.refused", most=2), case) is None
    assert numbers(saw("", "carrier", "pdn.refused", cause=33), case) is None
    assert numbers(saw("", "carrier", "pdn.refused", later=True), case) == (2,)
    assert numbers(saw("", "carrier", "pdn.refused", later=None), case) == (0, 2, 1)
    assert numbers(never("", "carrier", "pdn.refused", cause=33), case) == ()
    assert numbers(never("", "carrier", "pdn.refused"), case) is None


def test_a_source_client_is_any_client_in_the_order_of_time() -> None:
    case = case_of(
        see("client2", "lease.obtained", 1.0), see("client1", "lease.obtained", 2.0), see("carrier", "x", 0.5)
    )
    assert numbers(saw("", "client", "lease.obtained"), case) == (0, 1)


def test_what_accepts_may_be() -> None:
    case = case_of(see("router", "signal.measured", 1.0, rsrp_dbm=-118.0, note="Weak Signal"))
    for accepts, holds in (
        (among(rsrp_dbm=(-118.0, 0)), True),
        (among(rsrp_dbm=(1,)), False),
        (other_than(rsrp_dbm=-90.0), True),
        (other_than(rsrp_dbm=-118.0), False),
        (other_than(absent=1), False),
        (matching(note=r"weak\b"), True),
        (matching(note="strong"), False),
        (ranged("rsrp_dbm", below=-115), True),
        (ranged("rsrp_dbm", below=-120), False),
        (ranged("rsrp_dbm", above=-120), True),
        (ranged("note", above=0), False),
        (ranged("absent", above=0), False),
        (both(ranged("rsrp_dbm", below=-115), matching(note="weak")), True),
        (both(ranged("rsrp_dbm", below=-115), matching(note="strong")), False),
    ):
        assert (saw("", "router", "signal.measured", accepts=accepts).find(case) is not None) is holds


def test_measured_takes_the_median() -> None:
    case = case_of(
        *(see("router", "signal.measured", t, rsrp_dbm=v) for t, v in ((1.0, -80.0), (2.0, -120.0), (3.0, -121.0)))
    )
    assert numbers(measured("", "router", "signal.measured", "rsrp_dbm", below=-115), case) == (1, 2)
    assert numbers(measured("", "router", "signal.measured", "rsrp_dbm", below=-120.5), case) is None
    assert numbers(measured("", "router", "signal.measured", "rsrp_dbm", below=0, least=4), case) is None


def test_distinct_counts_values() -> None:
    case = case_of(*(see("carrier", "pdn.granted", t, address=a) for t, a in ((1.0, "a"), (2.0, "a"), (3.0, "b"))))
    assert numbers(distinct("", "carrier", "pdn.granted", "address"), case) == (0, 2)
    assert numbers(distinct("", "carrier", "pdn.granted", "address", least=3), case) is None


def test_within_wants_them_close_together() -> None:
    case = case_of(*(see("router", "uplink.down", t) for t in (1.0, 50.0, 52.0, 54.0)))
    assert numbers(within("", "router", "uplink.down", times=3, seconds=5), case) == (1, 2, 3)
    assert numbers(within("", "router", "uplink.down", times=4, seconds=5), case) is None


def test_silence_is_a_gap_or_an_end() -> None:
    beats = [see("management", "heartbeat.received", t) for t in (1.0, 2.0)]
    echo = see("hq-endpoint", "echo.received", 20.0)
    early = see("router", "tunnel.down", 3.0)
    ended = case_of(*beats, later=[early, echo])
    assert numbers(silent("", "management", "heartbeat.received", 15), ended) == (1,)
    assert numbers(silent("", "management", "heartbeat.received", 18), ended) is None, "counted within `later` only"
    back = case_of(*beats, later=[early, see("management", "heartbeat.received", 19.0), echo])
    assert numbers(silent("", "management", "heartbeat.received", 15), back) == (1, 3)
    assert numbers(silent("", "management", "heartbeat.received", 17), back) is None
    assert numbers(silent("", "management", "heartbeat.received", 1), case_of(*beats)) is None, "nothing came later"
    assert numbers(silent("", "router", "x", 1), ended) is None, "never seen: no silence"


def test_then_wants_the_order() -> None:
    down, up = saw("", "router", "uplink.down"), saw("", "router", "uplink.up")
    case = case_of(see("router", "uplink.up", 1.0), see("router", "uplink.down", 5.0))
    assert numbers(then("", up, down), case) == (0, 1)
    assert numbers(then("", down, up), case) is None
    assert numbers(then("", up, down, within_s=3), case) is None
    assert numbers(then("", up, up), case) is None, "one thing does not come after itself"


def test_unfollowed_wants_to_have_looked_long_enough() -> None:
    asked, told = saw("", "router", "asked"), saw("", "router", "told")
    case = case_of(
        see("router", "asked", 1.0), see("router", "told", 2.0), see("router", "asked", 5.0), see("x", "y", 16.0)
    )
    assert numbers(unfollowed("", asked, told, 10), case) == (2,)
    assert numbers(unfollowed("", asked, told, 12), case) is None, "the run ended before"
    assert numbers(unfollowed("", asked, told, 0.5), case) == (0, 2)
    assert numbers(unfollowed("", told, asked, 4), case) is None


def test_signs_made_of_signs() -> None:
    case = case_of(see("router", "a", 1.0), see("router", "b", 2.0))
    a, b, c = (saw("", "router", kind) for kind in "abc")
    assert numbers(any_of("", c, b), case) == (1,)
    assert numbers(any_of("", c), case) is None
    assert numbers(all_of("", b, a), case) == (0, 1)
    assert numbers(all_of("", a, c), case) is None
    assert numbers(none_of("", c), case) == ()
    assert numbers(none_of("", c, a), case) is None


def test_probes_findings_and_logs() -> None:
    machine = rehearse(RunMachine(PLAN, [load_stages()[1]], []), [REFUSED], start_ns=10**9).machine
    case = replace(
        build_case(machine, {"hq-gateway": "x\nNO proposal chosen\n"}),
        later=Evidence(
            [Seen(7, answers("client1", "lease.client1", 5.0, None, "LeaseError: no DHCP lease within 20 s"))]
        ),
    )
    assert numbers(judged("", "wan_obtained"), case) == (0,)
    assert numbers(judged("", "wan_*", outcome="PASS"), case) is None
    assert numbers(said("", "hq-gateway", "no proposal"), case) == ()
    assert numbers(said("", "carrier", "no proposal"), case) is None
    assert numbers(answered("", "lease.*", lambda plan, a: a.is_silence, later=True), case) == (7,)
    assert numbers(answered("", "lease.*", lambda plan, a: a.ok, later=True), case) is None
    assert numbers(answered("", "ping.*", later=True), case) is None


# ---------------------------------------------------------------- weighing

TROUBLE = saw("", "carrier", "pdn.refused", weight=3)


def names(case: Case, *rows: Cause) -> list[str]:
    return [n.cause.name for n in diagnose(case, rows).named]


def test_all_needs_must_be_met() -> None:
    case = case_of(REFUSED, stopped="wan_obtained")
    assert names(case, row("fits", stopped_at("wan_obtained"), TROUBLE)) == ["fits"]
    assert names(case, row("elsewhere", stopped_at("online"), TROUBLE)) == []
    assert names(case, row("unseen", saw("", "carrier", "attach.refused"), TROUBLE)) == []


def test_the_specific_comes_before_the_general() -> None:
    case = case_of(REFUSED, stopped="wan_obtained")
    general = row("general", stopped_at("wan_obtained"))
    specific = row("specific", stopped_at("wan_obtained"), saw("", "carrier", "pdn.refused", weight=3, cause=27))
    assert names(case, general, specific) == ["specific", "general"]
    against = replace(specific, speaks_against=(saw("", "carrier", "pdn.refused", weight=5),))
    assert names(case, general, against) == ["general", "specific"]
    spoken_for = replace(general, speaks_for=(saw("", "carrier", "pdn.refused", weight=5),))
    assert names(case, specific, spoken_for) == ["general", "specific"]


def test_of_equals_the_earlier_trouble_comes_first() -> None:
    case = case_of(see("router", "second", 9.0), see("router", "first", 1.0), stopped="online")
    in_time = replace(case, evidence=Evidence(sorted(case.evidence, key=lambda s: s.at_ns)))
    rows = [row(kind, saw("", "router", kind)) for kind in ("second", "first")]
    assert names(in_time, *rows) == ["first", "second"]


def test_two_troubles_at_once_are_both_named_and_what_stopped_it_first() -> None:
    beside = row("beside", all_passed(), saw("", "carrier", "link.slow", weight=3))
    stopping = row("stopping", stopped_at("online"), saw("", "carrier", "pdn.refused", weight=2))
    both_there = case_of(see("carrier", "link.slow", 1.0), REFUSED, stopped="online")
    found = diagnose(both_there, [beside, stopping]).named
    assert [n.cause.name for n in found] == ["stopping", "beside"]
    assert found[1].score == 3 - STOPPED_BESIDE
    assert names(case_of(see("carrier", "link.slow", 1.0)), beside, stopping) == ["beside"]
    assert names(case_of(REFUSED), beside, stopping) == []


def test_at_most_so_many_are_named() -> None:
    case = case_of(REFUSED, stopped="wan_obtained")
    rows = [row(f"r{n}", TROUBLE) for n in range(9)]
    assert len(diagnose(case, rows).named) == 5
    assert len(diagnose(case, rows, most=9).named) == 9


def general_of(*seen: Observation, until: int | None = 1) -> list[str]:
    machine = rehearse(RunMachine(PLAN, load_stages()[:until], []), seen).machine
    return [n.cause.name for n in diagnose(build_case(machine), GENERAL).named]


BOOT = see("router/loader", "boot.started", 1.0, boot_count=1, cause="power", label={})


def test_the_general_causes() -> None:
    assert general_of() == ["router_silent"]
    assert general_of(BOOT) == ["firmware_does_not_start"]
    slow = [
        replace(o, at_ns=o.at_ns + 6 * 10**9) for o in list_nominal() if o.source == "router" and o.part == "loader"
    ]
    late = [o for o in slow if o.kind in ("boot.started", "slot.verified", "slot.started")]
    assert general_of(*late) == ["router_silent"], "after the budget, and the settle time: not heard at all"
    assert general_of(BOOT, see("carrier", "node.failed", 2.0, error="OSError: x"))[0] == "bench_node_failed"


def test_a_stage_that_came_too_late_is_told_from_one_that_never_came() -> None:
    started = see("router/loader", "slot.started", 5.2, slot="a", release="1.0.0", boot_count=1, trial=False)
    machine = RunMachine(PLAN, load_stages()[:1], [])
    machine.start(0)
    machine.on_observation(BOOT, 10**9)
    machine.on_observation(started, 5_300_000_000)
    while machine.deadline_ns is not None:
        machine.on_tick(machine.deadline_ns)
    assert next(n.cause.name for n in diagnose(build_case(machine), GENERAL).named) == "budget_too_short"


def test_what_is_seen_while_checks_run_is_not_looked_at() -> None:
    """They send what no branch should let through, and cut it off: that is the checks' doing, no trouble of its own."""
    nominal = list_nominal()
    checks = rehearse(RunMachine(PLAN, load_stages(), load_checks()), nominal).machine
    begun_ns = checks.stages_closed_ns
    ended_ns = find_checks_end_ns(checks)
    assert ended_ns > begun_ns + 10**9
    odd = [see("router", "odd", at_ns / 1e9) for at_ns in (begun_ns - 10**9, begun_ns + 10**9, ended_ns + 10**8)]
    case = build_case(rehearse(RunMachine(PLAN, load_stages(), load_checks()), [*nominal, *odd]).machine)
    assert [s.at_ns for s in case.evidence.find_all("router", "odd")] == [odd[0].at_ns, odd[2].at_ns]
    assert [s.at_ns for s in case.later.find_all("router", "odd")] == [odd[2].at_ns]


# ---------------------------------------------------------------- in words


def explain(machine: RunMachine, rows: Sequence[Cause] | None = None) -> Explained:
    case = build_case(machine)
    return Explained("a run", machine, case, diagnose(case, rows))


def stopped_run() -> RunMachine:
    return rehearse(
        RunMachine(PLAN, load_stages(), []), [o for o in list_nominal() if o.at_ns < 10**9] + [REFUSED] * 6
    ).machine


@pytest.mark.parametrize("show_all", [False, True])
def test_what_is_told_fits_80_columns(show_all: bool) -> None:
    text = render_diagnosis(explain(stopped_run()), show_all=show_all)
    assert max(map(len, text.splitlines())) <= WIDTH


def test_a_cause_is_told_with_all_that_it_rests_on() -> None:
    explained = explain(
        stopped_run(), [row("apn", TROUBLE, contra=(saw("odd", "router", "boot.started", weight=0.1),))]
    )
    text = render_diagnosis(explained)
    for words in ("stopped at", "1. apn (apn)", "because", "carrier pdn.refused", "cause=27", "against  odd", "tell",
                  "bench", "site", '"Say it."', "and 3 more"):  # fmt: skip
        assert words in text
    whole = render_diagnosis(explained, show_all=True)
    assert "more" not in whole and whole.count("cause=27") == text.count("cause=27") + 3


def test_what_is_not_known_is_said_so_with_where_to_look() -> None:
    text = render_diagnosis(explain(stopped_run(), []))
    assert "not known" in text and "nodes/carrier.log" in text and "observations:" in text
    assert render_short(explain(stopped_run(), []).diagnosis, "runs/x").startswith("  cause     not known")


def test_a_run_that_went_well_has_nothing_wrong() -> None:
    machine = rehearse(RunMachine(PLAN, load_stages(), []), list_nominal()).machine
    assert "nothing wrong was found" in render_diagnosis(explain(machine))
    assert render_short(explain(machine).diagnosis) == ""


def test_trouble_after_the_bring_up_without_a_cause_is_not_called_well() -> None:
    machine = rehearse(RunMachine(PLAN, load_stages(), []), list_nominal()).machine
    down = see("router", "tunnel.down", machine.stages_closed_ns / 1e9 + 60)
    machine.on_observation(down, down.at_ns)
    text = render_diagnosis(explain(machine, []))
    assert "not known" in text and "tunnel.down" in text


def test_short_names_the_first_two_and_what_speaks_for_the_first() -> None:
    rows = [
        row("first", TROUBLE),
        row("second", saw("", "carrier", "pdn.refused")),
        row("third", stopped_at("wan_obtained")),
    ]
    text = render_short(explain(stopped_run(), rows).diagnosis, "runs/x")
    assert "first (first)" in text and "second (second)" in text and "third" not in text and "runs/x" in text
    assert max(map(len, text.splitlines())) <= WIDTH


def test_what_a_terminal_would_obey_is_struck_out() -> None:
    evil = replace(REFUSED, data={**REFUSED.data, "cause_name": "\x1b[2J\x07"})
    machine = rehearse(RunMachine(PLAN, load_stages(), []), [BOOT, evil]).machine
    for text in (render_diagnosis(explain(machine)), render_diagnosis(explain(machine, [row("r", TROUBLE)]))):
        assert all(c.isprintable() for line in text.splitlines() for c in line)


# ---------------------------------------------------------------- folders


def save(path: Path, plan: Plan, tape: Sequence[Input]) -> Path:
    folder = RunFolder(path, plan, {})
    for entry in tape:
        folder.write(TapeEntry(entry.kind, entry.now_ns, entry.observation))
    folder.close()
    return path


def test_a_folder_explains_itself_whatever_was_put_upon_it(tmp_path: Path) -> None:
    run = rehearse(RunMachine(PLAN, load_stages(), []), [BOOT, REFUSED])
    path = save(tmp_path / "run", PLAN, run.tape)
    told = []
    for text in (None, json.dumps({"faults": ["gateway_down"], "causes": ["gateway_down"]}), "no JSON at all"):
        if text is not None:
            (path / "faults.json").write_text(text, encoding="utf-8")
        told.append(render_diagnosis(load_explained(path)))
    assert told[0] == told[1] == told[2]
    assert "stopped at" in told[0]


def test_logs_are_read_where_there_are_any(tmp_path: Path) -> None:
    path = save(tmp_path / "run", PLAN, rehearse(RunMachine(PLAN, load_stages(), []), [BOOT]).tape)
    assert load_explained(path).case.logs == {}
    (path / "nodes").mkdir()
    (path / "nodes" / "carrier.log").write_bytes(b"words \xff\n")
    assert load_explained(path).case.logs == {"carrier": "words \ufffd\n"}


def test_a_run_that_was_broken_off_is_not_judged(tmp_path: Path) -> None:
    run = rehearse(RunMachine(PLAN, load_stages(), []), list_nominal())
    explained = load_explained(save(tmp_path / "run", PLAN, run.tape[:12]))
    assert "broken off" in render_diagnosis(explained)


def change(value: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    deeper = {k: change(value[k], v) for k, v in changes.items() if isinstance(v, dict) and v}
    return {**value, **changes, **deeper}


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("plan.json", None, "no such file"),
        ("tape.jsonl", None, "no such file"),
        ("plan.json", b"", "JSON Plan"),
        ("plan.json", b"{}", "JSON Plan"),
        ("plan.json", b"\xff\xfe", "JSON Plan"),
        ("plan.json", {"branch": {"acceptance": {"budgets_s": {}}}}, "budget"),
        ("plan.json", {"branch": {"uplinks": []}}, "uplink"),
        ("plan.json", {"since": "nowhere"}, "nowhere"),
        ("plan.json", {"until": "nowhere"}, "nowhere"),
        ("plan.json", {"since": "tunnel_up", "until": "online"}, "tunnel_up to online"),
        ("tape.jsonl", b"", "begins with a start"),
        ("tape.jsonl", b'{"kind":"tick","now_ns":1,"observation":null,"number":null}\n', "begins with a start"),
        ("tape.jsonl", b'{"kind":"start","now_ns":1}\n{"kind":"observation","now_ns":2}\n', "jsonl:2:1"),
        ("tape.jsonl", b'{"kind":"start","now_ns":1}\n{"kind":"obser', "jsonl:2:1"),
        ("tape.jsonl", b'{"kind":"start","now_ns":1}\n\xff\n', "jsonl:2:1"),
    ],
)
def test_a_broken_folder_is_bad_input_that_names_the_file(
    tmp_path: Path, name: str, content: bytes | dict[str, Any] | None, words: str
) -> None:
    path = save(tmp_path / "run", PLAN, rehearse(RunMachine(PLAN, load_stages(), []), [BOOT]).tape)
    if content is None:
        (path / name).unlink()
    elif isinstance(content, dict):
        (path / name).write_text(json.dumps(change(to_json(PLAN), content)), encoding="utf-8")
    else:
        (path / name).write_bytes(content)
    with pytest.raises(InputError) as caught:
        load_explained(path)
    assert words in str(caught.value) and name in str(caught.value)


def test_the_command_prints_it(tmp_path: Path) -> None:
    import argparse

    from harness.commands import explain as command

    path = save(tmp_path / "run", PLAN, rehearse(RunMachine(PLAN, load_stages(), []), [BOOT, REFUSED]).tape)
    parser = argparse.ArgumentParser()
    command.add(parser.add_subparsers())
    args = parser.parse_args(["explain", str(path), "--all"])
    console = Console(record=True, width=200)
    assert args.run(args, console) == 0
    assert "stopped at" in console.export_text()
