"""The published YANG modules of RFC 8572 as a judge of messages (yangson, with the modules that pyang ships).

yangson validates data trees only, so the modules' text is read with some words changed: `rpc`, its `input` and
`output`, and `rc:yang-data` become presence containers. Types, mandatory, when and must statements stay as published.
"""

from __future__ import annotations

import json
import re
import sys
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

from yangson import DataModel
from yangson.enumerations import ContentType

PUBLISHED = Path(__file__).parents[1] / "vectors" / "yang"
IMPORTED = Path(sys.prefix) / "share" / "yang" / "modules" / "ietf"  # pyang's wheel
SERVER, INFO = "ietf-sztp-bootstrap-server", "ietf-sztp-conveyed-info"
_WORDS = re.compile(r"^(\s*)(?:rpc |rc:yang-data |(?=input \{|output \{))([\w-]+) \{$", re.MULTILINE)


@cache
def load_model() -> DataModel:
    folder = Path(tempfile.mkdtemp())
    modules = []
    for name, revision, features in (
        (SERVER, "2019-04-30", ["redirect-server", "onboarding-server"]),
        (INFO, "2019-04-30", []),
        ("ietf-inet-types", "2013-07-15", None),
        ("ietf-yang-types", "2013-07-15", None),
        ("ietf-restconf", "2017-01-26", None),
    ):
        kind = "import" if features is None else "implement"
        entry = {"name": name, "revision": revision, "namespace": f"urn:x:{name}", "conformance-type": kind}
        modules.append({**entry, "feature": features or []})
        if features is not None:
            text = (PUBLISHED / f"{name}@{revision}.yang").read_text()
            (folder / f"{name}@{revision}.yang").write_text(_WORDS.sub(r'\1container \2 { presence "message";', text))
    library = {"ietf-yang-library:modules-state": {"module-set-id": "sztp", "module": modules}}
    return DataModel(json.dumps(library), (str(folder), str(IMPORTED)))


def check_rpc(rpc: str, direction: str, members: Any) -> None:
    """Raises: yangson's exceptions when `members` is not a valid input or output."""
    _check({f"{SERVER}:{rpc}": {direction: members}})


def check_conveyed(document: bytes) -> None:
    top = {name.removeprefix(f"{INFO}:"): value for name, value in json.loads(document).items()}
    assert all(name.startswith(f"{INFO}:") for name in json.loads(document))  # RFC 7951 §4: top names carry the module
    _check({f"{INFO}:conveyed-information": top})


def _check(raw: Any) -> None:
    load_model().from_raw(raw).validate(ctype=ContentType.all)
