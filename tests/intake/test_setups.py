"""Set-ups as described and as seen: changed cameras, reference targets at start and end."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg

from passage_cv.errors import InputError
from passage_cv.intake.check import check_batch
from passage_cv.intake.codes import SCALE_ID, draw_marker
from passage_cv.intake.exif import CameraSettings
from passage_cv.intake.setups import (
    Setup,
    SetupCamera,
    differences,
    next_setup_id,
    other_settings,
    read_setups,
    setups_of,
)
from passage_cv.intake.target_checks import see_targets
from passage_cv.intake.targets import measure_target
from tests.batches import FACTS, ROWS, write_batch

SETUP = """format = 1
[[setups]]
setup_id = "KBW-2"
device = "flume of the false weir"
firmware = "3.1.0"
lamp = "two LED bars, 5000 K"
geometry = "side camera 900 mm from the wall"
marker_mm = 40.0
[[setups.cameras]]
name = "KBW-2-side"
serial = "23117"
exposure_ms = 2.0
"""


def target_picture(
    *, side: int = 120, light: float = 0.8, red: float = 1.0, blur: float = 0.0, size: tuple[int, int] = (480, 640)
) -> np.ndarray:
    """A card with a marker of ``side`` pixels, its paper at ``light`` of white, reddened and blurred as asked."""
    card = np.full(size, 120, dtype=np.uint8)
    marker = np.pad(draw_marker(SCALE_ID, side), side // 4, constant_values=255)
    card[60 : 60 + len(marker), 90 : 90 + len(marker)] = marker
    rgb = np.clip(card[..., None] * light * np.array([red, 1.0, 1.0]), 0, 255).astype(np.uint8)
    return cv2.GaussianBlur(rgb, (0, 0), blur) if blur else rgb


def target_jpeg(**how: float) -> bytes:
    return simplejpeg.encode_jpeg(np.ascontiguousarray(target_picture(**how)), quality=95, colorsubsampling="444")  # type: ignore[arg-type]


def write_targets(folder: Path, *pictures: bytes, setups: str = SETUP) -> Path:
    """A batch with fish and some reference-target pictures, all of set-up KBW-2."""
    rows = [{**row, "setup_id": "KBW-2", "purpose": ""} for row in ROWS]
    rows += [
        {"image": f"images/target-{i}.jpg", "setup_id": "KBW-2", "purpose": "reference target"}
        for i in range(len(pictures))
    ]
    write_batch(folder, rows, FACTS)
    for i, data in enumerate(pictures):
        (folder / f"images/target-{i}.jpg").write_bytes(data)
    if setups:
        (folder / "setups.toml").write_text(setups)
    return folder


def messages(folder: Path, kind: str) -> list[str]:
    return [finding.message for finding in check_batch(folder).findings if finding.kind == kind]


def test_a_target_is_measured_as_it_was_drawn() -> None:
    seen = measure_target(target_picture(side=120, light=0.8, red=0.9))
    assert seen.marker_px == pytest.approx(120, rel=0.005)
    assert seen.light == pytest.approx((0.9 + 1 + 1) * 0.8 * 255 / 3, rel=0.01)
    assert (seen.red_green, seen.blue_green) == pytest.approx((0.9, 1.0), abs=0.01)
    half = cv2.resize(target_picture(side=240, size=(960, 1280)), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    assert measure_target(np.asarray(half), scale=2).marker_px == pytest.approx(240, rel=0.01)


def test_sharpness_falls_with_blur_and_not_with_light() -> None:
    sharp, dim, soft = (measure_target(target_picture(light=light, blur=blur)).sharpness or 0 for light, blur in
                        ((0.9, 0.6), (0.5, 0.6), (0.9, 1.5)))  # fmt: skip
    assert dim == pytest.approx(sharp, rel=0.1)
    assert soft < 0.6 * sharp


def test_without_a_marker_only_light_and_colour_are_taken() -> None:
    seen = measure_target(np.full((90, 120, 3), (100, 110, 121), np.uint8))
    assert (seen.marker_px, seen.sharpness) == (None, None)
    # By hand: 100 / 110 and 121 / 110.
    assert (seen.light, seen.red_green, seen.blue_green) == pytest.approx((110.333, 0.90909, 1.1), abs=1e-3)


def test_two_like_targets_leave_nothing_to_say(tmp_path: Path) -> None:
    folder = write_targets(tmp_path / "b", target_jpeg(), target_jpeg(light=0.79))
    assert messages(folder, "reference target") == []
    assert len(see_targets(check_batch(folder))) == 2


def test_a_target_is_measured_in_the_one_decode_of_its_picture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    large = target_jpeg(side=240, size=(960, 1280))  # type: ignore[arg-type]
    folder = write_targets(tmp_path / "b", large, target_jpeg())
    decodes: list[int] = []
    decoders = ((simplejpeg, "decode_jpeg"), (cv2, "imdecode"))
    for module, name in decoders:
        real = getattr(module, name)
        monkeypatch.setattr(module, name, lambda *a, real=real, **k: decodes.append(1) or real(*a, **k))
    batch = check_batch(folder)
    measured = [seen.target.marker_px for seen in see_targets(batch)]
    assert len(decodes) == len(batch.images) == len(ROWS) + 2
    assert measured == pytest.approx([240, 120], rel=0.01)  # of the original, though the first was reduced


@pytest.mark.parametrize(
    ("how", "says"),
    [
        ({"light": 0.6}, "light changed by -25 %"),
        ({"red": 0.8}, "red against green changed by -20 %"),
        ({"side": 126}, "scale changed by +5 %"),
        ({"blur": 2.0}, "sharpness fell to"),
    ],
)
def test_what_changes_within_an_event_is_said(tmp_path: Path, how: dict[str, float], says: str) -> None:
    found = messages(write_targets(tmp_path / "b", target_jpeg(), target_jpeg(**how)), "reference target")
    assert len(found) == 1
    assert found[0].startswith(f"Within event E1, KBW-2: {says}")


def test_start_and_end_need_one_each(tmp_path: Path) -> None:
    (one,) = messages(write_targets(tmp_path / "one", target_jpeg()), "reference target")
    assert "has one picture of the target" in one
    (none,) = messages(write_targets(tmp_path / "none"), "reference target")
    assert none == "Event E1 has no picture of the reference target by set-up KBW-2"
    assert messages(write_targets(tmp_path / "undescribed", setups=""), "reference target") == []


def test_a_target_in_full_glare_says_so(tmp_path: Path) -> None:
    glaring = target_jpeg(light=1.0)
    found = messages(write_targets(tmp_path / "b", glaring, glaring), "reference target")
    assert len(found) == 2
    assert "its colour says nothing" in found[0]


def test_a_set_up_that_is_not_described_is_named(tmp_path: Path) -> None:
    folder = write_targets(tmp_path / "b", setups=SETUP.replace('"KBW-2"\ndevice', '"KBW-1"\ndevice'))
    (found,) = messages(folder, "set-up not described")
    assert found == "Set-up KBW-2 (row 2) is not in setups.toml, which has KBW-1"


@pytest.mark.parametrize(
    ("was", "becomes", "says"),
    [
        ('firmware = "3.1.0"', "", "firmware: Field required"),
        ("exposure_ms = 2.0", "exposure_ms = -1.0", "greater than 0"),
        ('lamp = "two', 'lump = "two', "lump: Extra inputs"),
    ],
)
def test_a_damaged_file_must_be_corrected(tmp_path: Path, was: str, becomes: str, says: str) -> None:
    folder = write_targets(tmp_path / "b", setups=SETUP.replace(was, becomes))
    (found,) = messages(folder, "set-ups file")
    assert says in found
    assert check_batch(folder).unresolved
    with pytest.raises(InputError):
        read_setups(folder / "setups.toml")


def test_what_differs_between_two_descriptions() -> None:
    camera = SetupCamera(name="side", serial="23117", exposure_ms=2.0)
    one = Setup(setup_id="A", device="d", firmware="3.0", lamp="l", geometry="g", cameras=(camera,), note="wiped")
    other = one.model_copy(update={"cameras": (camera.model_copy(update={"exposure_ms": 4.0}),), "note": ""})
    assert differences(one, one.model_copy(update={"note": "x"})) == []
    assert differences(one, other) == ["camera side exposure_ms 2.0 became 4.0"]
    assert next_setup_id("KBW-09") == "KBW-10"


@pytest.mark.parametrize(
    ("seen", "says"),
    [
        (CameraSettings(software="RiverCam 3.2.0"), "firmware RiverCam 3.2.0"),
        (CameraSettings(exposure_ms=4.0), "an exposure of 4 ms"),
        (CameraSettings(white_balance="auto"), "white balance auto"),
    ],
)
def test_a_changed_firmware_or_setting_asks_for_a_new_setup(tmp_path: Path, seen: CameraSettings, says: str) -> None:
    described = SETUP.replace("exposure_ms = 2.0", 'exposure_ms = 2.0\nwhite_balance = "5000 K, fixed"')
    batch = check_batch(write_targets(tmp_path / "b", setups=described))
    changed = tuple(replace(one, settings=seen) for one in batch.images)
    (found,) = other_settings(replace(batch, images=changed), setups_of(batch))
    assert (found.kind, found.severity) == ("another camera setting", "please look")
    assert says in found.message
    assert "KBW-3" in str(found.proposal)


def test_settings_as_on_file_ask_nothing(tmp_path: Path) -> None:
    batch = check_batch(write_targets(tmp_path / "b"))
    same = CameraSettings(software="RiverCam v3.1.0", exposure_ms=1.95, white_balance="auto")  # none on file
    images = tuple(replace(one, settings=same) for one in batch.images)
    assert list(other_settings(replace(batch, images=images), setups_of(batch))) == []
