"""What a lab is made of: the engine, the kernel, the images. Layer: lab, I/O, threads.

Law: this is also where a missing image is found, before anything is made.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

from harness.lab.engine import Engine
from harness.lab.topology import Topology

INPUTS_LABEL = "branchproof.inputs"


def read_facts(engine: Engine, topology: Topology) -> dict[str, Any]:
    """Return the facts of the engine and of all the images that the topology names. Raises: EngineError."""
    names = sorted({s.image for s in topology.services.values()})
    with ThreadPoolExecutor(4, thread_name_prefix="facts") as pool:
        asked = pool.submit(engine.read_facts)
        images = {name: pool.submit(engine.get_image, name) for name in names}
        found = {name: future.result() for name, future in images.items()}
        seen = asked.result()
    return {
        "engine": {"version": seen.version, "api": seen.api, "system": seen.system},
        "kernel": seen.kernel,
        "images": {
            name: {"id": image.image_id, "inputs": image.labels.get(INPUTS_LABEL)} for name, image in found.items()
        },
    }
