"""Every command at the gate stands in the README and has its help."""

from __future__ import annotations

from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from passage_cv.cli.gate import app

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
NAMES = sorted(typer.main.get_command(app).commands)  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", NAMES)
def test_a_command_is_named_and_explains_itself(name: str) -> None:
    assert f"gate {name}" in README
    done = CliRunner().invoke(app, [name, "--help"])
    assert done.exit_code == 0
    assert len(done.output.splitlines()) > 5
