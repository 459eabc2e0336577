"""An interrupt ends the command line with 130, wherever it strikes. A process that died of signal 2 is 130 to a shell,
but -2 to a caller that waits for it (POSIX.1-2017, waitpid)."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
STRUCK = """
import os, sys
from harness import cli

class Parser:
    def parse_args(self, argv):
        exec("os.kill(os.getpid(), int(sys.argv[1]))\\nfor _ in range(10**7): pass")

cli._build_parser = Parser
cli.main()
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_within_a_string_that_is_executed_is_130(tmp_path: Path, number: signal.Signals) -> None:
    """As where a dataclass is being made while modules are imported. Run by `-m`: so CPython looks how it ends."""
    (tmp_path / "struck.py").write_text(STRUCK)
    command = ["env", "--default-signal=INT", sys.executable, "-m", "struck", str(int(number))]
    seen = os.environ | {"PYTHONPATH": f"{ROOT}:{tmp_path}"}
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, env=seen)
    assert (done.returncode, done.stdout) == (130, ""), done.stderr
    assert done.stderr == "branchproof: interrupted; the lab is taken down\n"
