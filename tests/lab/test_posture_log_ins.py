"""Log-ins on the device for real, as no demo profile has them: by password alone, and a block that is waited out.

Also what cracklib and its dictionary, as the device has them, make of words that people and generators choose.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from lab_nodes import HARDENED, ROOT, TMPFS, docker

pytestmark = pytest.mark.lab

JUDGE = """
import json, random, sys
sys.path.insert(0, "/tree")
from emulators.common.password_shapes import make_password
from emulators.router.runtime.apply.password_library import find_common
chance = random.Random(20)
def count(length, *kinds):
    return sum(find_common(make_password(length, kinds, chance)) is not None for _ in range(300))
print(json.dumps({
    "common": {word: find_common(word) is not None for word in sys.argv[1:]},
    "made": {f"{n} {kinds}": count(n, *kinds) for n in (8, 12, 16, 64)
             for kinds in (("letter", "digit"), ("letter",), ("letter", "digit", "space"), ("unicode",))},
}))
"""
COMMON = ("password", "qwerty12", "qwerty123456", "password1234567890", "!!Welcome99999999", "letmein0000000")
UNCOMMON = ("correct horse battery staple", "tide tables at grey holm")


def test_common_words_are_known_and_made_ones_are_not() -> None:
    where = ["--rm", "--network", "none", "-e", "PYTHONDONTWRITEBYTECODE=1", "-v", f"{ROOT}:/tree:ro"]
    told = docker(
        "run", *where, *HARDENED, *TMPFS, "branchproof/router:bench", "python3", "-c", JUDGE, *COMMON, *UNCOMMON
    )
    found = json.loads(told)
    assert found["common"] == dict.fromkeys(COMMON, True) | dict.fromkeys(UNCOMMON, False)
    assert set(found["made"].values()) == {0}, found["made"]


def test_by_password_alone_and_a_block_waited_out(tmp_path: Path) -> None:
    profiles = Path(shutil.copytree(ROOT / "profiles", tmp_path / "profiles"))
    profile = profiles / "harbour-office.yaml"
    text = profile.read_text()
    for old, new in (
        ("methods: [key, password]", "methods: [password]"),
        ("lockout: {failures: 5, within_s: 60, block_s: 1800}", "lockout: {failures: 3, within_s: 10, block_s: 12}"),
    ):
        assert old in text
        text = text.replace(old, new)
    profile.write_text(text)
    command = [sys.executable, "-m", "harness.cli", "prove", str(profile), "--out", str(tmp_path / "runs"), "--soak"]
    command += ["--only", "passwords", "lockout"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=400, cwd=ROOT, check=False)
    folder = next((tmp_path / "runs").iterdir())
    checks = json.loads((folder / "verdict.json").read_text())["checks"]
    outcomes = {c["claim"]: c["outcome"] for c in checks if c["check"] in ("passwords", "lockout")}
    assert set(outcomes.values()) == {"PASS"}, done.stdout + done.stderr
    assert "after 12 s the source gets in again" in outcomes
    assert "the first password opens nothing but its change" in outcomes
