"""What the figures were measured on. Reads the system and the engine; changes nothing."""

from __future__ import annotations

import os
import platform
from pathlib import Path
from typing import Any

from harness.lab.engine import Engine


def read_machine() -> dict[str, Any]:
    """Return kernel, cores, load, memory, Python and engine. Raises: EngineError without an engine."""
    engine = Engine()
    try:
        facts = engine.read_facts()
    finally:
        engine.close()
    return {
        "kernel": platform.release(),
        "system": facts.system,
        "cores": len(os.sched_getaffinity(0)),
        "processor": _read_field(Path("/proc/cpuinfo"), "model name"),
        "memory": _read_field(Path("/proc/meminfo"), "MemTotal"),
        "load_before": os.getloadavg(),
        "python": platform.python_version(),
        "engine": {"version": facts.version, "api": facts.api, "kernel": facts.kernel},
    }


def _read_field(path: Path, name: str) -> str:
    for line in path.read_text().splitlines() if path.exists() else ():
        key, _, value = line.partition(":")
        if key.strip() == name:
            return value.strip()
    return "unknown"
