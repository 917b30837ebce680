"""What stands before a fixed camera, and how long it is by its own scale."""

import runpy
from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg
from sklearn.ensemble import GradientBoostingClassifier

from passage_cv.demo.picture import render
from passage_cv.demo.shot import Shot, Subject
from passage_cv.demo.species import draw_fish
from passage_cv.intake import sketches
from passage_cv.intake.check import check_batch
from passage_cv.intake.codes import draw_marker
from passage_cv.intake.images import reduce_picture
from passage_cv.intake.scale import measure_scale
from passage_cv.intake.sketches import backdrop_of, find_bodies, sketch_of
from passage_cv.intake.trees import Trees
from passage_cv.intake.view_checks import view_faults
from passage_cv.intake.views import view_of
from tests.batches import write_batch

FIT_VIEWS = Path(__file__).resolve().parents[2] / "scripts" / "fit_views"
filled_up = runpy.run_path(str(FIT_VIEWS), run_name="fit_views")["filled_up"]


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


def seen(empty: list[bytes], shot: Shot) -> set[str]:
    """What is said of a drawn view of the flume whose empty pictures these are."""
    rgb = render(shot)
    return {kind for kind, *_ in view_faults(view_of(sketched(rgb), rgb, backdrop_of(empty)))}


def shot(seed: int, *codes: str, attached: bool = False) -> Shot:
    rng = np.random.default_rng(seed)
    fish = tuple(Subject(draw_fish(code, rng), "left") for code in codes)
    return Shot("CAP-1", "day", 12.0, 5, seed, fish, attached=attached)


def test_most_pairs_of_fish_are_seen_and_hardly_a_single_one(empty: list[bytes]) -> None:
    pairs = [seen(empty, shot(400 + i, "AMS", "WSK")) for i in range(10)]
    single = [seen(empty, shot(500 + i, "AMS")) for i in range(10)]
    assert sum("two fish in view" in said for said in pairs) >= 5
    assert sum("two fish in view" in said for said in single) <= 1


def test_a_rider_is_seen_on_some_fish_and_hardly_on_one_without(empty: list[bytes]) -> None:
    with_rider = [seen(empty, shot(600 + i, "WSK", attached=True)) for i in range(12)]
    without = [seen(empty, shot(600 + i, "WSK")) for i in range(12)]
    assert sum("attached animal" in said for said in with_rider) >= 4
    assert sum("attached animal" in said for said in without) <= 1


def test_a_fish_that_the_frame_cuts(empty: list[bytes]) -> None:
    whole, nothing = flume(3, "AMS"), flume(900)
    columns = np.flatnonzero((np.abs(whole.astype(int) - nothing).max(axis=2) > 40).sum(axis=0) > 3)
    middle = int(columns.mean())
    moved = np.concatenate([whole[:, middle:], nothing[:, :middle]], axis=1)
    view = view_of(sketched(moved), moved, backdrop_of(empty))
    assert "cut by the frame" in {kind for kind, *_ in view_faults(view)}


def test_glare_is_no_fish(empty: list[bytes]) -> None:
    y, x = np.mgrid[0:540, 0:960]
    glow = 90 * np.exp(-(((x - 300) / 90) ** 2 + ((y - 200) / 60) ** 2))
    glaring = np.clip(flume(905) + glow[..., None], 0, 255).astype(np.uint8)
    assert not find_bodies(sketched(glaring), backdrop_of(empty))


def test_no_sketch_is_kept(tmp_path: Path) -> None:
    common = {"setup_id": "CAP-1", "light": "day"}
    rows = [{"image": f"e{i}.jpg", "purpose": "empty", **common} for i in range(3)]
    rows.append({"image": "f.jpg", "individual": "1", "code": "AMS", **common})
    folder = write_batch(tmp_path / "b", rows)
    for i in range(3):
        (folder / f"e{i}.jpg").write_bytes(simplejpeg.encode_jpeg(flume(900 + i), quality=90))
    (folder / "f.jpg").write_bytes(simplejpeg.encode_jpeg(flume(1, "AMS"), quality=90))
    pictures = check_batch(folder, keep_working=False).images
    assert [bool(one.looks.sketch) for one in pictures] == [False] * 4
    assert [one.view is not None for one in pictures] == [False, False, False, True]


def test_trees_give_what_they_were_learnt_with() -> None:
    """Against the sum that scikit-learn itself gives for trees fitted here."""
    rng = np.random.default_rng(3)
    rows = rng.normal(size=(400, 5))
    wanted = rows[:, 0] * rows[:, 1] + 0.3 * rows[:, 2] > 0
    model = GradientBoostingClassifier(n_estimators=12, max_depth=4, random_state=0).fit(rows, wanted)
    filled = [filled_up(one[0].tree_, model.learning_rate) for one in model.estimators_]
    prior = model.init_.class_prior_
    feature, limit, value = (np.array([one[part] for one in filled]) for part in range(3))
    trees = Trees((), feature, limit, value, float(np.log(prior[1] / prior[0])), 0.0)
    assert trees.score(rows) == pytest.approx(model.decision_function(rows.astype(np.float32)), abs=1e-3)


@pytest.mark.parametrize("size", [(9, 16), (3, 5), (1, 1), (2, 1)])
def test_the_quick_median_is_numpys(size: tuple[int, int]) -> None:
    values = np.random.default_rng(3).normal(size=size)
    assert sketches._median(values) == np.median(values)
