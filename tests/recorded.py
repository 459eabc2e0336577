"""`python -m tests.recorded RUN NAME`: make a run's folder one of those that come with the package. Files only.

For when the tape's format or a stage changes: `branchproof prove profiles/pier-kiosk.yaml` makes a new `proven`, with
`--with wrong_psk` a new `failing`. What was there under the name is replaced. Where this checkout lies is struck out:
a plan refers to its secrets by whole paths, which are nobody else's.
"""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / "harness" / "recorded"
NAMES = ("proven", "failing")
FILES = ("plan.json", "tape.jsonl", "verdict.json", "at.txt", "faults.json", "nodes/*.log")
"""What is taken along. Captures are not: they are ten times all the rest."""


def copy_run(run: Path, target: Path) -> list[Path]:
    """Copy what is taken along of a run's folder; return the copies. Raises: ValueError where it is no such folder."""
    found = sorted(file for pattern in FILES for file in run.glob(pattern) if file.stat().st_size)
    missing = {"plan.json", "tape.jsonl", "verdict.json"} - {file.name for file in found}
    if missing:
        raise ValueError(f"{run}: expected the folder of a run that ended, saw no {', '.join(sorted(missing))}")
    if target.exists():
        shutil.rmtree(target)
    copies = [target / file.relative_to(run) for file in found]
    for file, copy in zip(found, copies, strict=True):
        copy.parent.mkdir(parents=True, exist_ok=True)
        copy.write_bytes(file.read_bytes().replace(f"{ROOT}/".encode(), b""))
    return copies


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.recorded", description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("run", type=Path, metavar="RUN", help="run folder")
    parser.add_argument("name", choices=NAMES, metavar="NAME", help=f"one of {', '.join(NAMES)}")
    chosen = parser.parse_args()
    for copy in copy_run(chosen.run, FOLDER / chosen.name):
        print(copy)


if __name__ == "__main__":
    main()
