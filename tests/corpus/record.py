"""`python -m tests.corpus.record [--into DIR] RUN...`: add run folders of drills to the corpus. Front end.

Taken are trials that came out as expected (faults.json) and runs that were proven, or whose stages were all passed.
Values that are kept back are refused: what is in the corpus, rules are written by. A run of the same fault, values and
profile takes the place of the one before. Each is read back and must give the same diagnosis as its folder does.
Exit codes: 0 all taken, 1 some were not.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from harness.app import PRELUDE
from harness.core.registry import load_faults
from harness.core.replay import replay
from harness.diagnosis.case import build_case
from harness.diagnosis.diagnose import diagnose
from harness.errors import InputError
from harness.run_folder import FAULTS, load_run
from harness.trial.choose import is_kept_back, parse_applied
from tests.corpus.recorded import FOLDER, list_files, load_recorded, pack, render_plan, render_recorded


class NotTakenError(Exception):
    """A run is not for the corpus; the text says why."""


def main() -> int:
    """Record all that are named."""
    parser = argparse.ArgumentParser(prog="python -m tests.corpus.record", description="Add runs to the corpus.")
    parser.add_argument("runs", nargs="+", type=Path, metavar="RUN")
    parser.add_argument("--into", type=Path, default=FOLDER, metavar="DIR", help="where the corpus is (tests/corpus)")
    args = parser.parse_args()
    left = 0
    for run in args.runs:
        try:
            file = record(run, args.into)
            print(f"  {file.stat().st_size:>8} bytes  {file.name}")
        except (NotTakenError, InputError) as error:
            left += 1
            print(f"  left out  {run.name}: {error}", file=sys.stderr)
    _drop_plans(args.into)
    files = [*list_files(args.into), *(args.into / "plans").glob("*.gz")]
    print(f"{len(list_files(args.into))} runs, {sum(f.stat().st_size for f in files) / 1e6:.2f} MB")
    return 1 if left else 0


def record(run: Path, folder: Path) -> Path:
    """Write a run into the corpus. Raises: NotTakenError, InputError."""
    faults = _read_faults(run)
    saved = load_run(run)
    whole = replay(saved.plan, saved.tape)
    if not faults and any(r.outcome != "PASS" for r in whole.results()):
        raise NotTakenError("nothing was put upon it, and yet not all stages were passed")
    plan_text, digest = render_plan(saved.plan)
    is_whole = any(f.outcome == "PASS" for f in whole.findings())
    words = [*(faults or ["proven" if is_whole else "brought_up"]), saved.plan.branch.profile]
    name = "-".join(word.replace(":", "-").replace("=", "-").replace(".", "_").replace("/", "_") for word in words)
    file, plan_file = folder / "runs" / f"{name}.jsonl.gz", folder / "plans" / f"{digest}.json.gz"
    for target, text in ((plan_file, plan_text), (file, render_recorded(faults, digest, saved.tape))):
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(pack(text))
    there = [(n.cause.name, n.score) for n in diagnose(build_case(whole)).named]
    here = [(n.cause.name, n.score) for n in load_recorded(file).diagnose().named]
    if there != here:
        file.unlink()
        raise NotTakenError(f"read back it gives {here}, its folder {there}")
    return file


def _read_faults(run: Path) -> list[str]:
    """Return what was put upon a run. Raises: NotTakenError where it is not for the corpus."""
    file = run / FAULTS
    if not (run / "verdict.json").is_file():
        raise NotTakenError("it did not come to its end")
    if not file.is_file():
        if (run / PRELUDE).is_file():
            raise NotTakenError("something was put upon it, and what is not known")
        return []
    told = json.loads(file.read_text(encoding="utf-8"))
    if told["outcome"] != "PASS":
        raise NotTakenError(f"its trial did not come out as expected ({told['outcome']})")
    applied = [parse_applied(text, load_faults(), str(file)) for text in told["faults"]]
    if any(is_kept_back(one) for one in applied if one.values != one.fault.usual()):
        raise NotTakenError("its values are kept back")
    return list(told["faults"])


def _drop_plans(folder: Path) -> None:
    """Remove plans that no run was made with any more."""
    used = {render_plan(load_recorded(file).plan)[1] for file in list_files(folder)}
    for file in (folder / "plans").glob("*.json.gz"):
        if file.name.partition(".")[0] not in used:
            file.unlink()


if __name__ == "__main__":
    sys.exit(main())
