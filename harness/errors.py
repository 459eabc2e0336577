"""Every exception that the command line turns into an exit code. Layer: all; pure.

    BranchproofError
    |- InputError        exit 2   the user's input: a profile, a sites file, an argument, a secret that is not there
    |- LabError          exit 3   the lab broke: a stand-in, a container, a channel
    |  `- EngineError    exit 3   there is no usable container engine, or it refused
    `- (anything else)   exit 4   our own bug

A subject that fails is a verdict (exit 1), never an exception. Ctrl-C is exit 130.
"""

from __future__ import annotations

from dataclasses import dataclass

EXIT_PROVEN = 0
EXIT_NOT_PROVEN = 1
EXIT_INPUT = 2
EXIT_LAB = 3
EXIT_BUG = 4
EXIT_INTERRUPTED = 130


class BranchproofError(Exception):
    """Base of all that is raised on purpose."""

    exit_code = EXIT_BUG


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with the input. `line` and `column` count from 1; 0 where there is none."""

    file: str
    line: int
    column: int
    key: str
    message: str

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        return f"{where} {self.key}: {self.message}" if self.key else f"{where}: {self.message}"


class InputError(BranchproofError):
    """The input cannot be used. Holds every problem found, not just the first."""

    exit_code = EXIT_INPUT

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = problems
        super().__init__("\n".join(map(str, problems)))


class LabError(BranchproofError):
    """The lab cannot do its part. Says what was expected, what was seen, where, and what to try."""

    exit_code = EXIT_LAB

    def __init__(self, *, expected: str, seen: str, where: str, hint: str) -> None:
        self.expected, self.seen, self.where, self.hint = expected, seen, where, hint
        super().__init__(f"{where}\n  expected  {expected}\n  seen      {seen}\n  try       {hint}")


class EngineError(LabError):
    """No container engine answers, or it refused what was asked."""
