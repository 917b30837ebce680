"""A video file gives the fish that its frames show; a camera that stops shows as frames that do not come."""

from __future__ import annotations

import time
from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from passage_cv.cli.gate import app
from passage_cv.config import configs_folder
from passage_cv.errors import InputError
from passage_cv.gate.site import read_site
from passage_cv.records import Action
from passage_cv.service.controller import Controller
from passage_cv.service.frames import RealClock
from passage_cv.service.log import GateLog
from passage_cv.service.machine import Fault
from passage_cv.service.plant import NoPlant
from passage_cv.service.presence import FIRST_FRAMES
from passage_cv.service.video import LiveCamera, VideoCamera
from tests.service.river import HEIGHT, WIDTH, River, make_clock

RATE = 10.0


def write_video(path: Path, pictures: list[bytes], rate: float = RATE) -> Path:
    """Pictures as a lossless video."""
    out = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"FFV1"), rate, (WIDTH, HEIGHT))
    for data in pictures:
        out.write(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR))
    out.release()
    return path


@pytest.fixture
def video(tmp_path: Path) -> Path:
    river = River()
    return write_video(tmp_path / "lift.mkv", [*river.empty(FIRST_FRAMES), *river.one("AMS"), *river.one("NSH")])


def test_a_video_comes_at_its_own_rate(video: Path) -> None:
    clock = make_clock()
    frames = [frame for frame in VideoCamera(video, clock, setup_id="demo-setup") if frame]
    assert len(frames) == FIRST_FRAMES + 12
    assert frames[-1].at_s == pytest.approx(len(frames) / RATE)
    assert frames[0].pixels().shape == (HEIGHT, WIDTH, 3)


def test_a_stored_video_frame_decodes_to_the_same_pixels(video: Path, tmp_path: Path) -> None:
    frame = next(iter(VideoCamera(video, make_clock(), setup_id="demo-setup")))
    assert frame is not None
    again = cv2.imdecode(np.frombuffer(frame.stored(), np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
    assert np.array_equal(again, frame.pixels())


def test_gate_run_decides_the_fish_of_a_video(package: Path, video: Path, tmp_path: Path) -> None:
    text = (configs_folder() / "site" / "kettleback.toml").read_text()
    (tmp_path / "site.toml").write_text(text.replace('setup_id = "KBW-2"', 'setup_id = "demo-setup"'))
    options = ["--site", str(tmp_path / "site.toml"), "--log", str(tmp_path / "gate.sqlite"), "--by", "TBO"]
    done = CliRunner().invoke(app, ["run", str(package), "--video", str(video), *options])
    assert done.exit_code == 0, done.output
    with GateLog(tmp_path / "gate.sqlite") as log:
        assert [line.action for line in log.lines()] == [Action.PASS, Action.REJECT]
    done = CliRunner().invoke(app, ["run", str(package), "--video", str(video), "--camera", "0", *options])
    assert "Frames come from one place" in str(done.exception)


@pytest.mark.parametrize("content", [None, b"no video"])
def test_what_is_no_video_is_refused(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "lift.mkv"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError, match="Video cannot be read"):
        VideoCamera(path, make_clock(), setup_id="demo-setup")


def test_a_camera_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="Camera cannot be opened"):
        LiveCamera(str(tmp_path / "no-camera"), RealClock(), setup_id="demo-setup", frames_per_s=RATE)


def test_a_camera_that_stops_is_a_fault(package: Path, video: Path, tmp_path: Path) -> None:
    """The file stands in for a camera whose stream ends: it gives its frames at once and then nothing more."""
    site = read_site(configs_folder() / "site" / "kettleback.toml")
    site = site.model_copy(
        update={"setup_id": "demo-setup", "camera": site.camera.model_copy(update={"stall_s": 0.3})}
    )
    with (
        GateLog(tmp_path / "gate.sqlite") as log,
        LiveCamera(str(video), RealClock(), setup_id="demo-setup", frames_per_s=50) as camera,
    ):
        controller = Controller(package, site, log, NoPlant(), RealClock())
        controller.start(by="TBO", shadow=True)
        until = time.monotonic() + 10
        for frame in camera:
            controller.take(frame)
            if controller.machine.fault or time.monotonic() > until:
                break
    assert controller.machine.fault is Fault.CAMERA_STALLED
