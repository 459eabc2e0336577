"""The application firewall and the detection of threats: one inspector behind a netfilter queue, and its rules.

What clients of some segments may use on the internet is told by port, by the addresses that names lead to, or by the
name in the TLS ClientHello; what some segments exchange with other places is looked through for signatures. The rules
(inspection_rules.py) say which packets the inspector (inspection/) sees: of most connections the first few only. A
threat is told on the console (`threat.detected`) and in the device's log.

Law: whatever is not as it should be, packets do not pass. The rules are in force before the inspector is there; where
it is away, what is queued is dropped, and one that ends is started again.
"""

from __future__ import annotations

import itertools
import json
import sys
import syslog
from collections.abc import Callable
from pathlib import Path

from emulators.common.device_config import DeviceConfig
from emulators.common.supervise import Daemon, Keeper, run, write_private

from .. import inspection
from ..base import Emitter, Files, Ground, Part, Running, Situation
from ..device_log import note
from ..inspection import marks
from ..inspection_rules import HOOKS, IPTABLES_CHAIN, TABLE, find_names, find_sets, render_queue, render_table

CONF, SCRIPT, QUEUE = "/run/etc/inspection.json", "/run/etc/inspection.nft", "/run/etc/inspection.iptables"
READY, GENERATION = "/run/inspection.ready", "/run/inspection.generation"
READY_S = 5.0
SAID = "threat "
MANGLE = ("iptables-nft", "-t", "mangle")


def render(config: DeviceConfig, situation: Situation) -> Files:
    """Return the inspector's settings, the filter's script with generation 1, and the queue's rule; nothing where the
    configuration has neither control."""
    if config.applications is None and config.threats is None:
        return {}
    threats = config.threats
    settings = {
        "names": find_names(config.applications),
        "answers": find_sets(config.applications),
        "signatures": list(threats.signatures) if threats else [],
        "action": threats.action if threats else "alert",
    }
    text = json.dumps(settings, indent=1, sort_keys=True)
    return {CONF: f"{text}\n", SCRIPT: render_table(config, situation, 1), QUEUE: render_queue()}


def start(config: DeviceConfig, situation: Situation, files: Files, ground: Ground) -> Running:
    """Put the rules in force and start the inspector. Raises: DaemonError."""
    if not files:
        return Running(stop=lambda: None)
    write_private(Path(CONF), files[CONF])
    Path(READY).unlink(missing_ok=True)
    argv = (sys.executable, "-m", f"{inspection.__name__}.main", CONF, READY)
    keeper = Keeper(Daemon("inspection", argv, on_line=follow(ground.console)))
    generation, loaded = next_generation(), [""]

    def load(_files: Files, now: Situation) -> None:
        script = render_table(config, now, generation)
        if script != loaded[0]:
            write_private(Path(SCRIPT), script)
            run(["nft", "-f", SCRIPT])
            loaded[0] = script

    def stop() -> None:
        remove_rules()
        keeper.stop()

    try:
        remove_rules()
        keeper.start()
        load(files, situation)
        run(["iptables-nft-restore", "--noflush"], text=files[QUEUE])
        keeper.wait_ready(Path(READY).exists, READY_S)
    except BaseException:
        stop()
        raise
    return Running(stop=stop, refresh=load)


def follow(console: Emitter) -> Callable[[str], None]:
    """Return the reader of the inspector's lines."""

    def on_line(line: str) -> None:
        if not line.startswith(SAID):
            return
        said = json.loads(line.removeprefix(SAID))
        done = "dropped" if said["action"] == "drop" else "let pass"
        note(syslog.LOG_WARNING, f"threat {said['signature']} from {said['source']} to {said['destination']}: {done}")
        console.emit("threat.detected", **said)

    return on_line


def next_generation() -> int:
    """Return a number for the connections' marks that the configuration before did not have."""
    path = Path(GENERATION)
    last = int(path.read_text()) if path.exists() else 0
    new = last % marks.GENERATIONS + 1
    write_private(path, str(new))
    return new


def remove_rules() -> None:
    """Take table and queue away; none there is no error."""
    run(["nft", "-f", "-"], text=f"table {TABLE}\ndelete table {TABLE}\n")
    there = run([*MANGLE, "-S"])
    for hook, line in itertools.product(HOOKS, there.splitlines()):
        if line == f"-A {hook} -j {IPTABLES_CHAIN}":
            run([*MANGLE, "-D", hook, "-j", IPTABLES_CHAIN])
    if f"-N {IPTABLES_CHAIN}" in there.splitlines():
        run([*MANGLE, "-F", IPTABLES_CHAIN])
        run([*MANGLE, "-X", IPTABLES_CHAIN])


PART = Part(name="inspection", section="applications", wave=0, render=render, start=start)
