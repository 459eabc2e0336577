"""A place to try the branch from, and to be tried: its probes, and its answerer. Layer: stand-in."""

from __future__ import annotations

from collections.abc import Sequence

from emulators.common.answerer import Answerer
from emulators.common.probes_send import build_send_probe
from emulators.common.probes_sweep import build_sweep_probes
from emulators.common.service import Handler


def start_vantage(node: str, links: Sequence[str]) -> dict[str, Handler]:
    """Answer on the links; return the handlers of ``arrivals``, ``sweep``, ``scan`` and ``send`` (on the first link).

    Raises: OSError, DaemonError.
    """
    answerer = Answerer(node, links).start()
    return {**answerer.verbs(), **build_sweep_probes(links[0]), **build_send_probe(links[0])}
