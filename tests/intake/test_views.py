"""What stands before a fixed camera, and how long it is by its own scale."""

from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg

from passage_cv.demo.picture import render
from passage_cv.demo.shot import Shot, Subject
from passage_cv.demo.species import draw_fish
from passage_cv.intake.check import check_batch
from passage_cv.intake.codes import draw_marker
from passage_cv.intake.images import reduce_picture
from passage_cv.intake.scale import measure_scale
from passage_cv.intake.sketches import backdrop_of, find_bodies, sketch_of
from tests.batches import write_batch


def flume(seed: int, *codes: str) -> np.ndarray:
    """A drawn view of one flume in one light, with fish of these kinds."""
    rng = np.random.default_rng(seed)
    subjects = tuple(Subject(draw_fish(code, rng), "left") for code in codes)
    return render(Shot("CAP-1", "day", 12.0, 5, seed, subjects))


def sketched(rgb: np.ndarray) -> bytes:
    return sketch_of(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY))


@pytest.fixture(scope="module")
def empty() -> list[bytes]:
    return [sketched(flume(seed)) for seed in (900, 901, 902, 903)]


def test_a_fish_stands_out_from_the_empty_view_and_light_does_not(empty: list[bytes]) -> None:
    backdrop = backdrop_of(empty)
    for seed in range(6):
        assert find_bodies(sketched(flume(seed, "AMS")), backdrop)
    cloud = np.clip(flume(900) * np.linspace(0.8, 1.1, 960)[None, :, None] + 9, 0, 255).astype(np.uint8)
    assert find_bodies(sketched(cloud), backdrop) == []


def board(length_px: int, *, side_px: int = 120, at: tuple[int, int] = (420, 500)) -> np.ndarray:
    """A pale board with the scale marker and a fish-like shape of a known length, 1280 x 720."""
    rgb = np.full((720, 1280, 3), (214, 218, 205), dtype=np.uint8)
    rgb[40 : 40 + 2 * side_px, 40 : 40 + 2 * side_px] = 255
    corner = 40 + side_px // 2
    rgb[corner : corner + side_px, corner : corner + side_px] = draw_marker(0, side_px)[..., None]
    cv2.ellipse(rgb, at, (length_px // 2, length_px // 8), 12, 0, 360, (90, 80, 60), -1)
    return rgb


@pytest.mark.parametrize("length_px", [200, 400, 600])
def test_a_length_by_the_marker_beside_it(length_px: int) -> None:
    rgb = board(length_px)
    scale = measure_scale(reduce_picture(rgb), 2.0)
    assert scale.marker_px == pytest.approx(120, rel=0.03)
    assert scale.object_mm(60) == pytest.approx(length_px / 2, rel=0.04)


def test_a_fish_that_meets_the_frame_is_not_measured() -> None:
    assert measure_scale(reduce_picture(board(600, at=(1100, 500))), 2.0).object_px == 0
    assert measure_scale(reduce_picture(board(600)[:, 400:]), 1.0).marker_px == 0


def kinds(folder: Path) -> dict[str, str | None]:
    found = check_batch(folder, keep_working=False).findings
    return {
        one.kind: one.image for one in found if one.kind not in {"event date without offset", "length without type"}
    }


def test_the_sheet_is_held_against_the_picture(tmp_path: Path) -> None:
    common = {"code": "NSH", "length_type": "TL", "scaleMarker_mm": "60"}
    rows = [
        {"image": "a.jpg", "individual": "1", "length_mm": "300", **common},
        {"image": "b.jpg", "individual": "2", "length_mm": "400", **common},
    ]
    folder = write_batch(tmp_path / "b", rows)
    (folder / "a.jpg").write_bytes(simplejpeg.encode_jpeg(board(600), quality=92))
    (folder / "b.jpg").write_bytes(simplejpeg.encode_jpeg(board(590), quality=92))
    found = kinds(folder)
    assert found["measured length"] == "b.jpg"
    assert "scale" in found


def test_views_are_held_against_the_crews_empty_ones(tmp_path: Path) -> None:
    pictures = {f"e{seed}.jpg": flume(seed) for seed in (900, 901, 902, 903)}
    pictures |= {f"f{seed}.jpg": flume(seed, "AMS") for seed in range(8)}
    pictures |= {"nothing.jpg": flume(900)}
    both = np.where(np.arange(960)[None, :, None] < 480, flume(3, "GZS"), np.roll(flume(3, "GZS"), 480, axis=1))
    pictures |= {"two.jpg": both.astype(np.uint8)}
    rows = [
        {"image": name, "setup_id": "CAP-1", "light": "day", "purpose": "empty" if name[0] == "e" else ""}
        | ({} if name[0] == "e" else {"individual": str(i), "code": "AMS"})
        for i, name in enumerate(pictures)
    ]
    folder = write_batch(tmp_path / "b", rows)
    for name, rgb in pictures.items():
        (folder / name).write_bytes(simplejpeg.encode_jpeg(np.ascontiguousarray(rgb), quality=95))
    found = check_batch(folder, keep_working=False).findings
    assert [one.image for one in found if one.kind == "empty view"] == ["nothing.jpg"]
    without = [{**row, "purpose": ""} for row in rows if row["image"][0] != "e"]
    for name in list(pictures):
        (folder / name).rename(folder / f"keep-{name}")
    folder2 = write_batch(tmp_path / "c", without)
    for row in without:
        (folder2 / row["image"]).write_bytes((folder / f"keep-{row['image']}").read_bytes())
    silent = {one.kind for one in check_batch(folder2, keep_working=False).findings}
    assert not silent & {"empty view", "two fish in view", "cut by the frame"}


def test_a_rider_in_the_remarks_is_asked_about(tmp_path: Path) -> None:
    rows = [
        {"image": "a.jpg", "individual": "1", "code": "NSH", "remarks": "lamprey attached behind the fin"},
        {"image": "b.jpg", "individual": "2", "code": "BOW", "remarks": "lamprey scar", "purpose": "condition"},
        {"image": "c.jpg", "individual": "3", "code": "BOW", "remarks": "swam off"},
    ]
    assert kinds(write_batch(tmp_path / "b", rows))["attached animal"] == "a.jpg"
