"""What a fault is made of: a cause in the field, how the bench brings it about, what a good device and profile do.

Layer: core, pure. One file of `harness/faults/` holds one frozen `FAULT`. A fault acts on stand-ins and links only, by
actions that are done when it sets in and undone once: the judges of stages and checks never know of it. What the bench
itself does is labelled `BENCH`, and no diagnosis may look at it. Not here: when anything is done (trial.py).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from harness.core.entries import ANSWERED, Evidence, Seen
from harness.core.model import Action, Ask, Observation, Plan, PowerCut, PowerOn

BENCH = "bench."
"""Labels of what the bench asks for its own purposes begin so: no stage, check or diagnosis may rest on the answer."""

Value = float | str
Values = Mapping[str, Value]
Met = Literal["common", "occasional", "rare"]
"""How often a fault is met in the field. Common practice, no source: no public count of such faults is known to us."""
Family = Literal[
    "SIM and radio",
    "carrier path",
    "time and trust",
    "management",
    "firmware",
    "configuration",
    "tunnel and HQ",
    "site",
]


@dataclass(frozen=True, slots=True)
class Parameter:
    """One number or word of a fault. `others` are further values of interest: some of them are never used while rules
    are written (`is_kept_back`)."""

    name: str
    unit: str
    """Unit, or what the word means: ``s``, ``%``, ``bit/s``, ``bytes``, ``address``."""
    usual: Value
    others: tuple[Value, ...] = ()


@dataclass(frozen=True, slots=True)
class Onset:
    """When a fault sets in. `stage` None: before the router has power. Else once that stage is reached and `when`,
    asked again with each observation, finds what it waits for (None: at once). ``hq_reached`` is in service: the whole
    bring-up is over."""

    stage: str | None = None
    when: Callable[[Plan, Values, Evidence], Seen | None] | None = None


BEFORE_POWER = Onset()
IN_SERVICE = Onset("hq_reached")


@dataclass(frozen=True, slots=True)
class Doing:
    """What starts a trouble, and what ends it. The `off` of several doings are done in reverse order."""

    on: tuple[Action, ...]
    off: tuple[Action, ...]


@dataclass(frozen=True, slots=True)
class Expectation:
    """What a good device with a good profile does.

    `stage` is the first stage that is not passed (None: all are). `serves` says whether a client reaches HQ, and
    management hears the device, while the cause lasts (None: it does not last long enough to be asked). Once the cause
    is gone the branch is back, all by itself, within `back_within_s`. `causes` are the names that a diagnosis may give
    it, the best first; empty where there is nothing to find.
    """

    stage: str | None
    serves: bool | None
    back_within_s: float
    causes: tuple[str, ...]
    why: str
    """Why this is what a good device does; and, where it first was expected otherwise, what that was and why not."""


def until_judged(plan: Plan, values: Values) -> float | None:
    """Return None: the cause lasts until the bring-up is judged (in service: until service was looked at)."""
    return None


def suits_all(plan: Plan, values: Values) -> str | None:
    """Return None: the fault can befall any branch."""
    return None


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault of the field. `name` is the cause's; `order` its place in the list."""

    name: str
    order: int
    family: Family
    title: str
    cause: str
    """The physical cause, in one sentence."""
    strikes: str
    """Name of the stage that it strikes first, or ``service``."""
    met: Met
    doings: Callable[[Plan, Values], tuple[Doing, ...]]
    expects: Callable[[Plan, Values], Expectation]
    shows: Callable[[Plan, Values, Evidence], Seen | None]
    """Finds the observation that shows that the fault was there and bit, without which nothing was tried."""
    parameters: tuple[Parameter, ...] = ()
    onset: Onset = BEFORE_POWER
    lasts_s: Callable[[Plan, Values], float | None] = until_judged
    """How long the cause lasts from its onset, seconds; None: until the bring-up is judged."""
    why_not: Callable[[Plan, Values], str | None] = suits_all
    """A reason why it cannot befall this branch, or None."""

    def usual(self) -> dict[str, Value]:
        """Return the usual values of all parameters."""
        return {p.name: p.usual for p in self.parameters}


@dataclass(frozen=True, slots=True)
class Applied:
    """A fault with its values."""

    fault: Fault
    values: Values

    @property
    def text(self) -> str:
        """Return the fault as a command line has it, values that are not the usual ones only."""
        usual = self.fault.usual()
        changed = [f"{name}={value:g}" if isinstance(value, float) else f"{name}={value}"
                   for name, value in self.values.items() if value != usual[name]]  # fmt: skip
        return ":".join([self.fault.name, *changed])


# ---------------------------------------------------------------- doings, in few words


def impair(node: str, what: str, **parameters: Any) -> Doing:
    """Return a stand-in's impairment (emulators.common.impair). The labels are set by whoever performs it."""
    return Doing(
        (Ask(node, "impair", {"what": what, **parameters}, BENCH),), (Ask(node, "mend", {"what": what}, BENCH),)
    )


def cut_power() -> Doing:
    """Return a power cut, and power again. A fault with one is brief, and asks nothing of the dark router."""
    return Doing((PowerCut(),), (PowerOn(),))


def find_vain_leases(evidence: Evidence, client: str) -> tuple[Seen, ...]:
    """Return the asks for a lease that a fault made of a client and that no server answered. Not the bench's looks:
    those are made, too, while a branch may well be down."""
    asked = evidence.find_all(client, ANSWERED, verb="lease", ok=False)
    ours = (s for s in asked if str(s.data.get("label")).startswith((f"{BENCH}on.", f"{BENCH}off.")))
    answers = (evidence.find_answer(s.data["label"]) for s in ours)
    return tuple(a.seen for a in answers if a is not None and a.is_silence)


def is_of_bench(seen: Observation) -> bool:
    """Say whether an observation is of the bench's own doing."""
    return str(seen.data.get("label") or "").startswith(BENCH) or seen.kind in _BENCH_KINDS


_BENCH_KINDS = frozenset({"link.cut", "link.restored", "gateway.closed", "gateway.opened"})
"""What stand-ins say of the verbs by which a check disturbs them."""
