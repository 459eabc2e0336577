"""What set-up needs of the container engine: ask, pull, import, build. Layer: setup, I/O (engine).

The second and last place that imports docker (the first is harness/lab/engine.py): the command-line client may be
missing where only DOCKER_HOST is given, so everything goes through the engine's API.

Laws: every failure becomes an EngineError with the engine's own words. Not here: what goes into an image (context.py,
images.py), starting an engine (engine.py).
"""

from __future__ import annotations

import io
import json
import os
import socket
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from http import HTTPStatus
from pathlib import Path
from typing import Any

import docker
from docker.errors import APIError, DockerException, ImageNotFound
from requests.exceptions import RequestException

from harness.errors import EngineError

LOCAL_ENGINE = "unix:///var/run/docker.sock"
ANSWER_TIMEOUT_S = 10
"""Protects us from a socket that accepts and says nothing; an engine answers a ping in milliseconds."""
BUILD_SILENCE_S = 600
"""Longest silence of a build step or an import that is taken for work (a slow archive mirror)."""
PULL_SILENCE_S = 20
"""Longest silence of a registry before the base is made from the archive instead."""
LOG_TAIL_LINES = 25


@dataclass(frozen=True, slots=True)
class Image:
    id: str
    labels: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Answer:
    """Whether an engine answers. `denied`: one is there, but this user may not speak to it."""

    version: str | None
    denied: bool
    problem: str


def where() -> str:
    """Return the engine's address."""
    return os.environ.get("DOCKER_HOST") or LOCAL_ENGINE


def ask_engine() -> Answer:
    """Ask the engine that DOCKER_HOST or the default socket names for its version."""
    if (silent := _try_socket(where())) is not None:
        return silent
    try:
        client = docker.from_env(timeout=ANSWER_TIMEOUT_S)
        try:
            return Answer(str(client.version()["Version"]), False, "")
        finally:
            client.close()
    except (DockerException, RequestException, OSError) as error:
        return Answer(None, False, str(error))


def _try_socket(address: str) -> Answer | None:
    """Return why nobody answers behind a Unix socket; None: somebody may. (The SDK says it less plainly.)"""
    if not address.startswith("unix://"):
        return None
    path = address.removeprefix("unix://")
    with socket.socket(socket.AF_UNIX) as probe:
        probe.settimeout(ANSWER_TIMEOUT_S)
        try:
            probe.connect(path)
        except OSError as error:
            return Answer(None, isinstance(error, PermissionError), f"{path}: {error.strerror or error}")
    return None


class Builder:
    """An engine that answers, seen as a maker of images."""

    def __init__(self, address: str | None = None) -> None:
        """Connect to the engine at that address; None: where DOCKER_HOST or the default socket leads."""
        try:
            if address is None:
                self._client = docker.from_env(timeout=BUILD_SILENCE_S)
            else:
                self._client = docker.DockerClient(base_url=address, timeout=BUILD_SILENCE_S)
        except (DockerException, RequestException) as error:
            raise _refused("a container engine that answers", error) from error

    def close(self) -> None:
        self._client.close()

    def architecture(self) -> str:
        """Return the engine's machine as the kernel names it: ``x86_64``, ``aarch64``."""
        return str(self._client.info()["Architecture"])

    def count_running(self) -> int:
        """Return how many containers run."""
        return len(self._client.containers.list())

    def find_image(self, tag: str) -> Image | None:
        try:
            image = self._client.images.get(tag)
        except ImageNotFound:
            return None
        except (APIError, RequestException) as error:
            raise _refused(f"an answer about image {tag}", error) from error
        return Image(str(image.id), dict(image.labels))

    def get_image(self, tag: str) -> Image:
        """Return an image that must be there. Raises: EngineError."""
        image = self.find_image(tag)
        if image is None:
            raise EngineError(
                expected=f"image {tag}", seen="not there after it was made", where=where(), hint="see the engine's log"
            )
        return image

    def pull(self, name: str, version: str, tag: str) -> None:
        """Pull an image and give it our own tag. Raises: EngineError, at once where no registry is reached."""
        client = docker.from_env(timeout=PULL_SILENCE_S)
        try:
            for line in client.api.pull(name, tag=version, stream=True, decode=True):
                if "error" in line:
                    raise EngineError(
                        expected=f"image {name}:{version} from a registry",
                        seen=str(line["error"]),
                        where=where(),
                        hint="nothing: the base can be made from the distribution's archive",
                    )
            repository, label = tag.split(":")
            client.api.tag(f"{name}:{version}", repository, label)
        except (APIError, RequestException) as error:
            raise _refused(f"image {name}:{version} from a registry", error) from error
        finally:
            client.close()

    def import_tar(self, path: Path, tag: str) -> None:
        """Make an image of one layer from a root file system's tar. Raises: EngineError."""
        repository, version = tag.split(":")
        try:
            answer = self._client.api.import_image(str(path), repository=repository, tag=version)
        except (APIError, RequestException) as error:
            raise _refused(f"image {tag} imported", error) from error
        lines = [json.loads(line) for line in str(answer).splitlines() if line.strip()]
        for line in lines:
            if "error" in line:
                raise EngineError(
                    expected=f"image {tag} imported",
                    seen=str(line["error"]),
                    where=where(),
                    hint="see the engine's log",
                )

    def build(self, context: bytes, tag: str, labels: Mapping[str, str]) -> None:
        """Build an image from a tar context with the host's network. Raises: EngineError with the end of the log."""
        log: list[str] = []
        try:
            stream = self._client.api.build(
                fileobj=io.BytesIO(context),
                custom_context=True,
                tag=tag,
                labels=dict(labels),
                network_mode="host",
                rm=True,
                forcerm=True,
                decode=True,
            )
            error = _follow(stream, log)
        except (APIError, RequestException) as problem:
            raise _refused(f"image {tag} built", problem) from problem
        if error:
            raise EngineError(
                expected=f"image {tag} built",
                seen=error + "\n" + "\n".join("    " + line for line in log[-LOG_TAIL_LINES:]),
                where=where(),
                hint="read the log above; a build needs the distribution's package archive",
            )

    def remove_image(self, tag: str) -> None:
        """Remove an image and what no other is made of. Raises: EngineError."""
        try:
            self._client.api.remove_image(tag)
        except (APIError, RequestException) as error:
            raise _refused(f"image {tag} removed", error) from error

    def remove_untagged(self, label: str, but_not: str | None = None) -> None:
        """Remove unused images without a tag that have one label and have not another, and the layers only they had.

        While another prune is under way (the engine answers 409), nothing: the next build sees to it.
        """
        filters: dict[str, Any] = {"dangling": True, "label": label}
        if but_not:
            filters["label!"] = but_not
        try:
            self._client.images.prune(filters)
        except APIError as error:
            if error.status_code != HTTPStatus.CONFLICT:
                raise _refused(f"images labelled {label} removed", error) from error
        except RequestException as error:
            raise _refused(f"images labelled {label} removed", error) from error


def _follow(stream: Iterable[Any], log: list[str]) -> str | None:
    for line in _lines(stream):
        if "error" in line:
            return str(line["error"])
        log += str(line.get("stream", "")).splitlines()
    return None


def _lines(stream: Iterable[Any]) -> Iterator[Mapping[str, Any]]:
    for line in stream:
        if isinstance(line, Mapping):
            yield line


def _refused(expected: str, error: Exception) -> EngineError:
    seen = str(error.explanation) if isinstance(error, APIError) and error.explanation else str(error)
    return EngineError(
        expected=expected, seen=seen, where=where(), hint="see that the engine runs: `branchproof prepare` starts one"
    )
