"""Labs that are left up: marked as kept, found by a run's folder or id, entered, taken over. Layer: lab, I/O.

A run's folder names its lab in ``lab.json``; what else is needed is with the lab itself (papers.py), so that a folder
holds no secret, and a lab that was removed leaves nothing. Not here: what is done with a lab (commands/, resume.py).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from harness.errors import EngineError, InputError, LabError, Problem
from harness.lab.engine import Engine, Resource
from harness.lab.owner import KEPT_LABEL, OWNER_LABEL, RUN_LABEL, describe_self, judge_life, parse_owner
from harness.lab.papers import Papers, PapersError, parse_papers
from harness.lab.topology import name_kept

LAB_FILE = "lab.json"
PAPERS = "papers.json"
ID_LETTERS = frozenset("0123456789abcdef")
BASE_IMAGE = "branchproof/base:bench"
"""What holds the kept volume while it is read: any image would do, and every bench has this one."""


@dataclass(frozen=True, slots=True)
class KeptLab:
    """A lab in the engine. `containers`: node to container, of those that run. `labels`: of the marking volume."""

    run: str
    containers: Mapping[str, str]
    labels: Mapping[str, str]

    def get_container(self, node: str) -> str:
        """Return a node's container. Raises: InputError naming the nodes that there are."""
        if node not in self.containers:
            text = f"expected one of {', '.join(sorted(self.containers))}, saw {node!r}"
            raise InputError((Problem(f"lab {self.run}", 0, 0, "NODE", text),))
        return self.containers[node]


def find_run_id(run: str) -> str:
    """Return a lab's id from a run's folder, or from the id itself. Raises: InputError."""
    path = Path(run)
    if path.is_dir():
        return _read_lab_file(path)
    if run and set(run) <= ID_LETTERS:
        return run
    raise InputError((Problem(run, 0, 0, "RUN", "expected a run's folder or a lab's id, saw neither"),))


def _read_lab_file(folder: Path) -> str:
    file = folder / LAB_FILE
    try:
        found = json.loads(file.read_bytes())["run"]
    except OSError as error:
        text = f"expected a run's folder that names its lab, saw: {error.strerror}"
        raise InputError((Problem(str(file), 0, 0, "", text),)) from error
    except (ValueError, KeyError, TypeError) as error:
        raise InputError((Problem(str(file), 0, 0, "", 'expected {"run": ID}'),)) from error
    if not isinstance(found, str) or not found or not set(found) <= ID_LETTERS:
        raise InputError((Problem(str(file), 0, 0, "run", f"expected a lab's id, saw {found!r:.40}"),))
    return found


def render_lab_file(run_id: str) -> bytes:
    """Return a run folder's word on its lab."""
    return json.dumps({"run": run_id}).encode() + b"\n"


def mark_kept(
    engine: Engine,
    run_id: str,
    labels: Mapping[str, str],
    image: str,
    *,
    papers: Callable[[], bytes],
    in_use: Resource | None,
) -> None:
    """Mark the run as kept, with the papers that whoever takes it over needs: secrets are among them, so they stay
    in the engine, beside the containers that know them anyway, and go with these. `in_use` (what says that a lab which
    was left up is worked with again) is removed last. Raises: EngineError."""
    volume = name_kept(run_id)
    engine.create_volume(volume, {**labels, KEPT_LABEL: "1"})
    engine.put_file(volume, image, PAPERS, papers(), labels)
    if in_use is not None:
        engine.remove(in_use)


def find_lab(engine: Engine, run: str) -> KeptLab:
    """Return the lab of a run. Raises: InputError where it is gone; EngineError."""
    found = engine.list_labelled(f"{RUN_LABEL}={run}")
    marks = [r for r in found if r.kind == "volume" and KEPT_LABEL in r.labels]
    if not found:
        text = "the lab is gone: it was taken down (or never left up: prove --keep on-fail, or always)"
        raise InputError((Problem(f"lab {run}", 0, 0, "", text),))
    containers = {}
    for resource in found:
        node = resource.name.removeprefix(f"bp-{run}-")
        if resource.kind == "container" and node != resource.name and engine.find_exit_code(resource.name) is None:
            containers[node] = resource.engine_id
    return KeptLab(run, containers, marks[0].labels if marks else {})


def check_free(engine: Engine, run: str) -> None:
    """Raises: InputError where a living process still works with the lab."""
    observer = describe_self()
    owners = {parse_owner(r.labels.get(OWNER_LABEL, "")) for r in engine.list_labelled(f"{RUN_LABEL}={run}")}
    living = next((o for o in owners if o is not None and judge_life(o, observer) == "alive"), None)
    if living is not None:
        text = f"process {living.pid} is at work in this lab: wait for it to end"
        raise InputError((Problem(f"lab {run}", 0, 0, "", text),))


def load_papers(engine: Engine, lab: KeptLab) -> Papers:
    """Return what was kept for whoever takes the lab over. Raises: InputError, LabError."""
    if not lab.labels:
        text = "the lab was not left up on purpose: its run was killed, and what it knew is lost"
        raise InputError((Problem(f"lab {lab.run}", 0, 0, "", text),))
    try:
        content = engine.get_file(name_kept(lab.run), BASE_IMAGE, PAPERS, _without_kept(lab.labels))
        return parse_papers(content)
    except EngineError:
        raise
    except PapersError as error:
        raise LabError(
            expected="the papers of a lab, as this version of the bench writes them",
            seen=str(error),
            where=f"lab {lab.run}",
            hint="start over: branchproof prove",
        ) from error


def _without_kept(labels: Mapping[str, str]) -> dict[str, str]:
    return {key: value for key, value in labels.items() if key != KEPT_LABEL}


def list_gone(papers: Papers, lab: KeptLab) -> tuple[str, ...]:
    """Return the nodes that the papers name and that do not run any more."""
    return tuple(sorted(set(papers.nodes) - set(lab.containers)))
