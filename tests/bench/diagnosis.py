"""How often the diagnosis names the cause: over the catalogue, over values that were kept back, over pairs of faults,
and that it names none where nothing is wrong. Runs drills; I/O: the lab, run folders.

Each fault is tried once with its usual values, on the first demo branch that it can befall. A trial whose fault did not
show, or whose lab broke, says nothing of a diagnosis: it is counted apart. Runs without a fault are the bring-ups of
the labs in which faults of service are tried, and one whole proof of each branch.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, replace
from pathlib import Path
from threading import BoundedSemaphore

from harness.app import PRELUDE, Options, Session
from harness.commands.drill import JOBS, STANDING_LABS
from harness.core.faults import Applied
from harness.core.model import Plan
from harness.core.registry import load_checks, load_faults
from harness.core.replay import replay
from harness.diagnosis.case import build_case
from harness.diagnosis.diagnose import diagnose
from harness.drill import STARTS, Drill, Row, build_batches
from harness.errors import LabError
from harness.profile.compile import compile_plan, site_names
from harness.profile.load import load_profile
from harness.profile.secrets import resolve_secrets
from harness.run_folder import FAULTS, load_run
from tests.bench.accuracy import TOP, Tried, choose_pairs, find_share, list_hidden, list_kept_back, share_out
from tests.bench.figures import BenchError, Figure, Result, report
from tests.bench.runs import HARBOUR, PROFILE, Runs

PAIRS = 12
"""Pairs of faults that are tried: so that one that is missed is less than a tenth."""
PAIRS_CHOSEN = (
    "pairs: of two families, neither of which hides the other by what the catalogue says of stage and service (where"
    " one stops the bring-up, the other strikes at an earlier stage than that); of those the ones whose names have the"
    " smallest digests, each fault in two at most"
)
FIRST_PCT, TOP_PCT, BOTH_PCT = 95.0, 99.0, 80.0
"""Targets: the cause named first, among the first three; both of two faults among the first three."""
Say = Callable[[str], None]


def measure(folder: Path, runs: Runs, say: Say) -> Result:
    """Try the catalogue, the values kept back, and pairs; look at runs without a fault."""
    plans = [_compile(profile) for profile in (PROFILE, HARBOUR)]
    faults = load_faults()
    usual = [Applied(f, f.usual()) for f in faults]
    catalogue, untried = _try_all(plans, usual, folder / "catalogue", say)
    kept_back, untried_kept = _try_all(plans, list_kept_back(faults), folder / "kept-back", say)
    pairs, untried_pairs = _try_pairs(plans[0], choose_pairs(plans[0], faults, PAIRS), folder / "pairs", say)
    well = [*_list_well(folder), *(_look(run.folder) for run in (runs.make(), runs.make(HARBOUR)))]
    if not catalogue or not well:
        raise BenchError(f"expected trials whose fault showed, saw none of {len(usual)}; {'; '.join(untried[:3])}")
    wrong = [t for t in well if t.named]
    figures = [
        *_render_shares("the catalogue", catalogue, judged=True),
        *_render_shares("values that were kept back", kept_back, judged=False),
        _reach(f"{len(pairs)} pairs: both in the first {TOP}", [t.is_among_top for t in pairs], BOTH_PCT),
        Figure(f"{len(well)} runs without a fault: a cause named", len(wrong), "", "<= 0", not wrong),
    ]
    missed = [*(t for t in (*catalogue, *kept_back) if not t.is_first), *(t for t in pairs if not t.is_among_top)]
    notes = [f"missed: {t.text}: {', '.join(t.named[:TOP]) or 'not known'}" for t in missed]
    notes += [f"false: {t.folder}: {', '.join(t.named)}" for t in wrong]
    notes += [f"says nothing: {text}" for text in (*untried, *untried_kept, *untried_pairs)]
    notes.append(PAIRS_CHOSEN)
    everything = {"catalogue": catalogue, "kept_back": kept_back, "pairs": pairs, "well": well}
    samples = {name: [asdict(t) for t in tried] for name, tried in everything.items()}
    return Result("diagnosis", "how often the cause is named", tuple(figures), tuple(notes), samples)


def _compile(profile: Path) -> Plan:
    loaded = load_profile(profile)
    return compile_plan(loaded, next(iter(site_names(loaded))), "fast", None)


def _render_shares(name: str, tried: Sequence[Tried], *, judged: bool) -> list[Figure]:
    """Return first and top three over all, and first by family."""
    first, top = [t.is_first for t in tried], [t.is_among_top for t in tried]
    if judged:
        figures = [_reach(f"{name} ({len(tried)}): first", first, FIRST_PCT)]
        figures.append(_reach(f"  among the first {TOP}", top, TOP_PCT))
    else:
        figures = [report(f"{name} ({len(tried)}): first", find_share(first), "%")]
        figures.append(report(f"  among the first {TOP}", find_share(top), "%"))
    for group in dict.fromkeys(t.group for t in tried):
        hits = [t.is_first for t in tried if t.group == group]
        figures.append(report(f"    {group} ({len(hits)}): first", find_share(hits), "%"))
    return figures


def _reach(name: str, hits: Sequence[bool], least: float) -> Figure:
    share = find_share(hits)
    return Figure(name, share, "%", f">= {least:g}", bool(hits) and share >= least)


# ---------------------------------------------------------------- drills


def _try_all(plans: Sequence[Plan], faults: Sequence[Applied], folder: Path, say: Say) -> tuple[list[Tried], list[str]]:
    """Try each fault once. Returns what was diagnosed, and what says nothing of a diagnosis, with the reason."""
    tried: list[Tried] = []
    untried: list[str] = []
    for plan, share in zip(plans, share_out(plans, faults), strict=True):
        if share:
            say(f"{folder.name}: {len(share)} faults on {plan.branch.profile}, {JOBS} labs at a time")
            rows: list[Row] = []
            drill = Drill(plan, resolve_secrets(plan), folder / plan.branch.profile, rows.append)
            drill.run(build_batches(plan, share, STANDING_LABS), JOBS)
            for row in rows:
                _sort_row(row, tried, untried)
    return tried, untried


def _sort_row(row: Row, tried: list[Tried], untried: list[str]) -> None:
    if row.outcome is None or row.diagnosis is None:
        untried.append(f"{row.applied.text}: the lab broke: {row.error.splitlines()[0] if row.error else ''}")
    elif row.outcome.findings[0].outcome != "PASS":  # the first finding of a trial says whether the fault bit
        untried.append(f"{row.applied.text}: {row.outcome.findings[0].seen}")
    else:
        named = tuple(n.cause.name for n in row.diagnosis.named)
        family = row.applied.fault.family
        tried.append(Tried(row.applied.text, family, (row.outcome.causes,), named, str(row.folder)))


# ---------------------------------------------------------------- pairs


def _try_pairs(
    plan: Plan, pairs: Sequence[tuple[Applied, Applied]], folder: Path, say: Say
) -> tuple[list[Tried], list[str]]:
    """Try each pair in a lab of its own. Returns as `_try_all` does."""
    say(f"pairs: {len(pairs)} on {plan.branch.profile}")
    lean = replace(plan, skip=tuple(c.name for c in load_checks()))
    secrets, starts = resolve_secrets(plan), BoundedSemaphore(STARTS)
    with ThreadPoolExecutor(JOBS) as pool:
        found = list(pool.map(lambda pair: _try_pair(lean, secrets, folder, pair, starts), pairs))
    return [f for f in found if isinstance(f, Tried)], [f for f in found if isinstance(f, str)]


def _try_pair(
    plan: Plan, secrets: dict[str, str], folder: Path, pair: tuple[Applied, Applied], starts: BoundedSemaphore
) -> Tried | str:
    text = " and ".join(a.text for a in pair)
    try:
        with Session(plan, secrets, Options(folder, whole=True), applied=pair) as session:
            with starts:
                session.start()
            session.run()
            session.conclude()
    except LabError as error:
        return f"{text}: the lab broke: {str(error).splitlines()[0]}"
    case = build_case(session.machine)
    assert session.trial is not None  # faults were applied, and the session was run
    if hidden := list_hidden(session.trial, case.stopped):
        return f"{text}: {' and '.join(hidden)} did not show before the bring-up was judged"
    right = tuple(a.fault.expects(plan, a.values).causes for a in pair)
    named = tuple(n.cause.name for n in diagnose(case).named)
    return Tried(text, "pairs", right, named, str(session.folder.path))


# ---------------------------------------------------------------- runs without a fault


def _list_well(folder: Path) -> list[Tried]:
    """Look at the bring-ups of labs that faults of service were tried in."""
    found = []
    for file in sorted(folder.rglob("plan.json")):
        run = file.parent
        is_faulty = (run / FAULTS).is_file() or (run / PRELUDE).is_file()
        if not is_faulty and (run / "verdict.json").is_file():
            found.append(_look(run))
    return found


def _look(run: Path) -> Tried:
    saved = load_run(run)
    found = diagnose(build_case(replay(saved.plan, saved.tape)))
    return Tried("nothing", "well", (), tuple(n.cause.name for n in found.named), str(run))
