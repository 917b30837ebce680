"""Whole commands, run as a person runs them: a real process, its exit code, its two outputs."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
POLICIES = ROOT / "configs" / "policy"


@dataclass(frozen=True)
class Ran:
    code: int
    out: str
    err: str


@pytest.fixture(scope="session")
def run() -> Callable[..., Ran]:
    def call(*words: object, cwd: Path | None = None) -> Ran:
        command = [str(Path(sys.executable).parent / "passage-cv"), *map(str, words)]
        done = subprocess.run(command, capture_output=True, text=True, cwd=cwd, check=False, timeout=900)
        assert "Traceback" not in done.stderr, done.stderr
        return Ran(done.returncode, done.stdout, done.stderr)

    return call
