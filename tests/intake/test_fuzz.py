"""A short run of ``scripts/fuzz_intake``: damaged pictures, sheets and zips end in a finding or a refusal."""

import random
import runpy
from pathlib import Path

import pytest

SCRIPT = runpy.run_path(str(Path(__file__).parents[2] / "scripts" / "fuzz_intake"))


@pytest.mark.parametrize("kind", SCRIPT["TARGETS"])
def test_damaged_bytes_are_found_or_refused(kind: str, tmp_path: Path) -> None:
    chance = random.Random(kind)
    for number in range(25):
        assert SCRIPT["one_round"](kind, chance, tmp_path, number) in {"read", "refused", "found faulty", "unpacked"}
