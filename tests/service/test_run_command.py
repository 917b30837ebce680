"""``gate run`` on a folder of frames: counts, a fault, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from passage_cv.cli.gate import app
from passage_cv.config import configs_folder
from passage_cv.errors import InputError
from passage_cv.service.log import GateLog
from passage_cv.service.presence import FIRST_FRAMES
from tests.service.river import River


@pytest.fixture
def site(tmp_path: Path) -> Path:
    text = (configs_folder() / "site" / "kettleback.toml").read_text()
    path = tmp_path / "site.toml"
    path.write_text(text.replace('setup_id = "KBW-2"', 'setup_id = "demo-setup"'))
    return path


def write_frames(folder: Path, pictures: list[bytes]) -> Path:
    folder.mkdir()
    for number, data in enumerate(pictures):
        (folder / f"{number:06d}.png").write_bytes(data)
    return folder


def run(package: Path, frames: Path, site: Path, log: Path, *more: str) -> object:
    options = ["--frames", str(frames), "--site", str(site), "--log", str(log), "--by", "TBO"]
    return CliRunner().invoke(app, ["run", str(package), *options, *more])


def test_a_folder_of_frames_is_decided_and_logged(package: Path, site: Path, tmp_path: Path) -> None:
    river = River()
    pictures = [*river.empty(FIRST_FRAMES), *river.one("AMS"), *river.one("NSH")]
    done = run(package, write_frames(tmp_path / "frames", pictures), site, tmp_path / "gate.sqlite", "--json")
    assert done.exit_code == 0, done.output
    counts = json.loads(done.stdout)
    assert counts["actions"] == {"pass": 1, "hold": 0, "reject": 1, "no decision": 0}
    with GateLog(tmp_path / "gate.sqlite") as log:
        assert [line.live for line in log.lines()] == [False, False]


def test_a_fault_is_said_and_is_exit_code_1(package: Path, site: Path, tmp_path: Path) -> None:
    river = River()
    frames = write_frames(tmp_path / "frames", [*river.empty(FIRST_FRAMES), *river.empty(1) * 8])
    done = run(package, frames, site, tmp_path / "gate.sqlite")
    assert done.exit_code == 1
    assert "Ended in a fault: picture frozen" in done.output


def test_a_folder_without_frames_is_refused(package: Path, site: Path, tmp_path: Path) -> None:
    (tmp_path / "frames").mkdir()
    done = run(package, tmp_path / "frames", site, tmp_path / "gate.sqlite")
    assert isinstance(done.exception, InputError)
    assert "Folder holds no picture" in str(done.exception)
