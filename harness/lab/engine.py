"""The container engine: thin typed calls over its SDK. Layer: lab, I/O. Beside harness/setup/builder.py the only
`import docker`.

Laws: every resource that is made carries the labels given; every failure leaves as EngineError (or SubnetTaken); what
is already gone counts as removed. Calls may be made from several threads. Not here: order, naming, waiting for nodes,
the bytes of an attached container (stream.py).
"""

from __future__ import annotations

import contextlib
import io
import tarfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import docker
import docker.errors
import docker.types
import docker.utils
import requests.exceptions

from harness.errors import EngineError
from harness.lab.stream import Stream
from harness.lab.topology import Attachment, Network, Service, Topology, Volume

Kind = Literal["container", "network", "volume"]
CALL_TIMEOUT_S = 120
"""For one call. An engine on a loaded two-core machine took 3 s for a start; this only protects us from a hung one."""
POOL_SIZE = 64
_HOLD = "/hold"
"""Where a volume lies in the container that holds it."""
EXPLICIT_MAC_API = "1.44"
"""From this API version on an endpoint takes a MAC of our choice (Docker Engine API 1.44, change log); before it the
engine derives the same one from the endpoint's static IPv4 address."""


class SubnetTaken(EngineError):
    """The engine has another network that overlaps the subnet asked for."""


@dataclass(frozen=True, slots=True)
class EngineFacts:
    version: str
    api: str
    kernel: str
    system: str


@dataclass(frozen=True, slots=True)
class ImageFacts:
    image_id: str
    labels: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Resource:
    """Something in the engine that carries a label of ours."""

    kind: Kind
    engine_id: str
    name: str
    labels: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Execution:
    """A command under way in a container, with its stream (of both outputs, framed, unless on a terminal)."""

    engine_id: str
    stream: Stream


class Engine:
    """One connection pool to the engine that the environment names (DOCKER_HOST), else the local one."""

    def __init__(self) -> None:
        with _asking("a container engine that answers", "engine"):
            self._client = docker.APIClient(
                **docker.utils.kwargs_from_env(), version="auto", timeout=CALL_TIMEOUT_S, max_pool_size=POOL_SIZE
            )

    def close(self) -> None:
        """Close the connections."""
        self._client.close()

    # ------------------------------------------------------------ reading

    def read_facts(self) -> EngineFacts:
        """Return what the engine says of itself."""
        with _asking("the engine's version", "engine"):
            seen = self._client.version()
        system = f"{seen['Os']}/{seen['Arch']}"
        return EngineFacts(seen["Version"], self._client.api_version, seen["KernelVersion"], system)

    def get_image(self, name: str) -> ImageFacts:
        """Return an image's id and labels. Raises: EngineError when it is not there."""
        with _asking(f"the image {name}", "engine", hint="run: branchproof prepare"):
            seen = self._client.inspect_image(name)  # type: ignore[no-untyped-call]
        return ImageFacts(seen["Id"], seen["Config"].get("Labels") or {})

    def list_subnets(self) -> tuple[str, ...]:
        """Return the subnets of all of the engine's networks, ours or not."""
        with _asking("the list of networks", "engine"):
            networks = self._client.networks()
        pools = [pool for n in networks for pool in (n.get("IPAM") or {}).get("Config") or ()]
        return tuple(pool["Subnet"] for pool in pools if pool.get("Subnet"))

    def list_labelled(self, label: str) -> tuple[Resource, ...]:
        """Return containers, networks and volumes that carry a label (``key`` or ``key=value``)."""
        filters = {"label": label}
        with _asking(f"the list of what is labelled {label}", "engine"):
            containers = self._client.containers(all=True, filters=filters)
            networks = self._client.networks(filters=filters)
            volumes = self._client.volumes(filters=filters).get("Volumes") or []
        return (
            *(Resource("container", c["Id"], c["Names"][0].lstrip("/"), c["Labels"] or {}) for c in containers),
            *(Resource("network", n["Id"], n["Name"], n["Labels"] or {}) for n in networks),
            *(Resource("volume", v["Name"], v["Name"], v["Labels"] or {}) for v in volumes),
        )

    def find_exit_code(self, container: str) -> int | None:
        """Return a container's exit code; None while it runs or when it is gone."""
        try:
            with _asking("a container's state", container):
                state = self._client.inspect_container(container)["State"]
        except EngineError as error:
            if isinstance(error.__cause__, docker.errors.NotFound):
                return None
            raise
        return None if state["Running"] else int(state["ExitCode"])

    # ------------------------------------------------------------ making

    def create_network(self, network: Network, labels: Mapping[str, str]) -> str:
        """Make a network; return its id. Raises: SubnetTaken, EngineError."""
        ipam = docker.types.IPAMConfig(pool_configs=[docker.types.IPAMPool(subnet=network.subnet)])
        with _asking(f"a network {network.subnet} with bridge {network.bridge}", network.engine_name):
            made = self._client.create_network(
                network.engine_name, network.driver, dict(network.driver_opts), ipam, labels=dict(labels)
            )
        return made["Id"]

    def create_volume(self, volume: Volume, labels: Mapping[str, str]) -> None:
        """Make a named volume."""
        with _asking("a volume", volume.engine_name):
            self._client.create_volume(volume.engine_name, labels=dict(labels))

    def create_container(self, service: Service, topology: Topology, labels: Mapping[str, str]) -> str:
        """Make a container, not started, on all of its networks; return its id.

        The first network comes with the creation, the others by connecting: engines before API 1.44 take only one.
        No log of the engine's: events may be large, and the attached stream is read anyway.
        """
        networks = topology.networks
        first = service.attachments[0] if service.attachments else None
        host_config = self._client.create_host_config(
            network_mode=networks[first.network].engine_name if first else service.network_mode,
            cap_add=list(service.cap_add),
            cap_drop=list(service.cap_drop),
            security_opt=list(service.security_opt),
            read_only=service.read_only,
            dns=list(service.dns) or None,
            devices=[f"{d.outside}:{d.inside}:{d.permissions}" for d in service.devices],
            tmpfs=dict.fromkeys(service.tmpfs, ""),
            sysctls=dict(service.sysctls),
            mounts=[
                docker.types.Mount(m.target, topology.volumes[m.volume].engine_name, "volume", labels=dict(labels))
                for m in service.mounts  # labels: a volume that a sweep has just removed is made anew by the engine
            ],
            log_config=docker.types.LogConfig(type="none"),
        )
        ends: Any = {networks[first.network].engine_name: self._endpoint(first)} if first else None
        with _asking("a container", service.engine_name):
            made = self._client.create_container(
                service.image,
                command=None if service.command is None else list(service.command),
                name=service.engine_name,
                stdin_open=service.stdin_open,
                detach=True,  # else the SDK has stdin closed when the first reader leaves
                host_config=host_config,
                networking_config=self._client.create_networking_config(ends) if ends else None,
                labels=dict(labels),
            )
        for end in service.attachments[1:]:
            self._connect(service.engine_name, networks[end.network].engine_name, end)
        return str(made["Id"])

    def _endpoint(self, end: Attachment) -> Any:
        mac = end.mac if self._takes_macs() else None
        return self._client.create_endpoint_config(ipv4_address=end.address, mac_address=mac)

    def _connect(self, container: str, network: str, end: Attachment) -> None:
        mac = end.mac if self._takes_macs() else None
        with _asking(f"an endpoint {end.address} on {network}", container):
            self._client.connect_container_to_network(container, network, ipv4_address=end.address, mac_address=mac)

    def _takes_macs(self) -> bool:
        return bool(docker.utils.version_gte(self._client.api_version, EXPLICIT_MAC_API))

    # ------------------------------------------------------------ running

    def attach(self, container: str) -> Stream:
        """Attach to stdin, stdout and stderr; before the start, so that nothing is missed."""
        params = {"stdin": 1, "stdout": 1, "stderr": 1, "stream": 1}
        with _asking("an attached stream", container):
            return Stream(self._client.attach_socket(container, params))

    def execute(self, container: str, command: Sequence[str], *, terminal: bool) -> Execution:
        """Start a command in a running container, with stdin."""
        with _asking("a command that starts", container):
            made = self._client.exec_create(container, list(command), stdin=True, tty=terminal)
            raw = self._client.exec_start(made["Id"], tty=terminal, socket=True)
        return Execution(str(made["Id"]), Stream(raw))

    def resize(self, execution: Execution, rows: int, columns: int) -> None:
        """Tell a command's terminal its size; one that has just ended does not mind."""
        with contextlib.suppress(EngineError), _asking("a terminal of that size", "engine"):
            self._client.exec_resize(execution.engine_id, height=rows, width=columns)

    def find_execution_code(self, execution: Execution) -> int | None:
        """Return a command's exit code; None while it runs."""
        with _asking("a command's state", "engine"):
            state = self._client.exec_inspect(execution.engine_id)
        return None if state["Running"] else state["ExitCode"]

    def put_file(self, volume: Volume, image: str, name: str, content: bytes, labels: Mapping[str, str]) -> None:
        """Put a file into a volume, by way of a container that is never started."""
        archive = io.BytesIO()
        with tarfile.open(fileobj=archive, mode="w") as tar:
            info = tarfile.TarInfo(name)
            info.size, info.mode = len(content), 0o600
            tar.addfile(info, io.BytesIO(content))
        with self._holding(volume, image, labels) as holder, _asking(f"a file {name}", volume.engine_name):
            self._client.put_archive(holder, _HOLD, archive.getvalue())

    def get_file(self, volume: Volume, image: str, name: str, labels: Mapping[str, str]) -> bytes:
        """Return a file of a volume, by way of a container that is never started. Raises: EngineError."""
        with self._holding(volume, image, labels) as holder, _asking(f"a file {name}", volume.engine_name):
            chunks, _ = self._client.get_archive(holder, f"{_HOLD}/{name}")
            packed = io.BytesIO(b"".join(chunks))
        with tarfile.open(fileobj=packed) as tar:
            member = tar.extractfile(tar.getmembers()[0])
            return member.read() if member is not None else b""

    @contextlib.contextmanager
    def _holding(self, volume: Volume, image: str, labels: Mapping[str, str]) -> Iterator[str]:
        host_config = self._client.create_host_config(network_mode="none", binds=[f"{volume.engine_name}:{_HOLD}"])
        with _asking("a container to hold a volume", volume.engine_name):
            made = self._client.create_container(
                image, command=["true"], host_config=host_config, labels=dict(labels), network_disabled=True
            )
        try:
            yield str(made["Id"])
        finally:
            self.remove(Resource("container", str(made["Id"]), str(made["Id"])[:12], labels))

    def start(self, container: str) -> None:
        """Start a container."""
        with _asking("a started container", container):
            self._client.start(container)

    def wait_exit(self, container: str, timeout_s: int) -> int:
        """Block until a container has ended; return its exit code."""
        with _asking(f"an exit within {timeout_s} s", container):
            return int(self._client.wait(container, timeout=timeout_s)["StatusCode"])

    def kill(self, container: str) -> None:
        """End a container at once."""
        with _asking("a killed container", container):
            self._client.kill(container, "SIGKILL")

    def remove(self, resource: Resource) -> None:
        """Remove a container (running or not), a network or a volume. What is gone already is fine."""
        try:
            with _asking("a removal", f"{resource.kind} {resource.name}"):
                if resource.kind == "container":
                    self._client.remove_container(resource.engine_id, v=True, force=True)
                elif resource.kind == "network":
                    self._client.remove_network(resource.engine_id)
                else:
                    self._client.remove_volume(resource.engine_id, force=True)
        except EngineError as error:
            if not isinstance(error.__cause__, docker.errors.NotFound):
                raise


@contextlib.contextmanager
def _asking(expected: str, where: str, hint: str = "") -> Iterator[None]:
    """Turn whatever the SDK raises into an EngineError that says what was asked."""
    try:
        yield
    except docker.errors.APIError as error:
        seen = str(error.explanation or error)
        cls = SubnetTaken if "overlaps with other one" in seen else EngineError
        default = "see the engine's own log for more"
        raise cls(expected=expected, seen=seen, where=where, hint=hint or default) from error
    except (docker.errors.DockerException, requests.exceptions.RequestException, OSError) as error:
        default = "`branchproof prepare` sets one up; is it running, may this user use it, does DOCKER_HOST name it?"
        raise EngineError(expected=expected, seen=str(error), where=where, hint=default) from error
