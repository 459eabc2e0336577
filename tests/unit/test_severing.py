"""A cable that is moved: what the one-shot container in the host's network is told, and what becomes of its failure."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from harness.core.model import Plug
from harness.errors import LabError
from harness.lab.compose_file import load_topology
from harness.lab.fake_lab import FakeLab
from harness.lab.severing import plug_link

TOPOLOGY = load_topology()


class Engine:
    """Ends each container with one exit code, and keeps what it was told."""

    def __init__(self, code: int) -> None:
        self.code, self.commands, self.removed = code, [], []

    def create_container(self, service, _topology, _labels):
        self.commands.append(service.command)
        return service.engine_name

    def start(self, _container):
        pass

    def wait_exit(self, _container, _timeout_s):
        return self.code

    def remove(self, resource):
        self.removed.append(resource)


def test_the_script_is_told_whose_end_goes_where_and_which_bridges_are_the_lab_s():
    engine = Engine(0)
    plug_link(engine, TOPOLOGY, ("router", "fixed"), "lan4", {})
    shell, flag, script, what, mac, into, *bridges = engine.commands[0]
    own = next(one.mac for one in TOPOLOGY.services["router"].attachments if one.network == "fixed")
    assert (shell, flag, what, mac, into) == ("sh", "-c", "plug", own, TOPOLOGY.networks["lan4"].bridge)
    assert sorted(bridges) == sorted(network.bridge for network in TOPOLOGY.networks.values())
    assert "down" in script and len(engine.removed) == 1


def test_an_end_that_is_not_found_is_the_lab_s_failure_and_leaves_no_container():
    engine = Engine(1)
    with pytest.raises(LabError):
        plug_link(engine, TOPOLOGY, ("router", "fixed"), "fixed", {})
    assert len(engine.removed) == 1


def test_a_script_may_have_a_cable_moved():
    seen = []
    lab = FakeLab(lambda action: seen.append(action) or (), SimpleNamespace(now_ns=lambda: 0), ("carrier",))
    lab.start()
    lab.perform(Plug("fixed", "lan4"))
    assert seen == [Plug("fixed", "lan4")]
