"""Views on which no fish may be decided are held by the model itself: in training, in scores and at the gate."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from passage_cv.errors import InputError
from passage_cv.gate.views import look_at_pictures
from passage_cv.recognition.crop import CropSettings
from passage_cv.recognition.export import attach_head, attach_holds
from passage_cv.recognition.features import exported_backbone
from passage_cv.recognition.model import GateModel
from passage_cv.recognition.score import score_folder
from passage_cv.recognition.train import TrainSummary, train_model
from passage_cv.recognition.view_rules import HOLD_LOAD, first_reasons, fit_view_rules, list_views
from passage_cv.scores import read_scores
from tests.recognition.conftest import SIZE, World, paint, small_settings


def paint_empty(folder: Path, n: int) -> Path:
    """Grey pictures without any of the painted fish's colours."""
    for number in range(n):
        noise = np.random.default_rng(number).integers(-20, 20, (40, 60, 3))
        path = folder / "empty view" / f"{number:02d}.png"
        path.parent.mkdir(parents=True, exist_ok=True)
        cv2.imwrite(str(path), np.clip(110 + noise, 0, 255).astype(np.uint8))
    return folder


@pytest.fixture(scope="module")
def trained(world: World, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, TrainSummary]:
    folder = tmp_path_factory.mktemp("views")
    views = paint_empty(folder / "views", 20)
    summary = train_model(small_settings(), world.store, world.version, folder / "run", views=views)
    return folder / "run", summary


def test_the_run_says_how_many_bad_views_are_found_and_good_fish_held(trained: tuple[Path, TrainSummary]) -> None:
    told = trained[1].metrics["views"]["empty view"]
    assert (told["views"], told["found"]) == (20, 20)
    assert told["fish"] == trained[1].metrics["individuals"]
    assert told["held_falsely"] <= HOLD_LOAD * told["fish"]


def test_scores_of_a_held_view_carry_its_reason(trained: tuple[Path, TrainSummary], tmp_path: Path) -> None:
    paint_empty(tmp_path, 3)
    paint(tmp_path / "fish.png", "AMS", 77)
    found = score_folder(trained[0], tmp_path)
    reasons = dict(zip(found.individual.tolist(), found.text["hold_reason"].tolist(), strict=True))
    assert reasons.pop("fish.png") == ""
    assert set(reasons.values()) == {"empty view"}
    assert np.isfinite(found.values).all()
    kept = read_scores(trained[0] / "train_scores.parquet")
    assert set(kept.text["hold_reason"]) == {""}


def test_the_gate_gives_the_same_reason_and_the_same_logits(
    world: World, trained: tuple[Path, TrainSummary], tmp_path: Path
) -> None:
    paint_empty(tmp_path, 1)
    paint(tmp_path / "fish.png", "AMS", 77)
    pictures = [(tmp_path / "fish.png").read_bytes(), (tmp_path / "empty view" / "00.png").read_bytes()]
    model = GateModel(trained[0] / "model.onnx")
    sight = look_at_pictures(pictures, model, CropSettings(size=SIZE))
    assert sight.held == "empty view"
    assert look_at_pictures(pictures[:1], model, CropSettings(size=SIZE)).held == ""
    plain = GateModel(world.run / "model.onnx")
    assert plain.hold_reasons == ()
    np.testing.assert_array_equal(sight.logits, look_at_pictures(pictures, plain, CropSettings(size=SIZE)).logits)


def test_rules_are_outputs_of_the_model_and_what_is_no_number_holds() -> None:
    backbone = exported_backbone(small_settings().backbone, SIZE)
    width = 704
    model = attach_head(backbone, np.zeros((2, width)), np.zeros(2))
    rules = {"empty view": (np.zeros(width), -1.0), "attached animal": (np.zeros(width), float("nan"))}
    crops = np.zeros((2, SIZE, SIZE, 3), np.uint8)
    seen = GateModel(attach_holds(model, rules)).see(crops)
    assert seen.hold_reasons == ("attached animal", "attached animal")
    both = {"empty view": (np.zeros(width), 1.0), "attached animal": (np.zeros(width), 1.0)}
    assert GateModel(attach_holds(model, both)).see(crops).hold_reasons == ("empty view", "empty view")


def test_levels_keep_the_load_and_far_views_are_found() -> None:
    rng = np.random.default_rng(0)
    good = rng.normal(0, 1, (600, 8))
    far = rng.normal(0, 1, (60, 8)) + np.array([6.0, *[0] * 7])
    same = rng.normal(0, 1, (60, 8))
    found = fit_view_rules(good, np.repeat(np.arange(300), 2), {"empty view": far, "attached animal": same}, seed=1)
    empty, attached = found.rules
    assert empty.found >= 57
    assert attached.found < 15  # what cannot be told apart is not held wildly
    assert (empty.is_used, attached.is_used) == (True, False)
    assert set(found.reasons.tolist()) <= {"", "empty view"}
    for rule in found.rules:
        assert rule.held_falsely <= HOLD_LOAD * 300
        assert rule.speaks(far).mean() > 0.9 or rule.reason == "attached animal"
    assert (found.reasons == "").mean() > 0.97


def test_the_first_rule_names_the_reason() -> None:
    held = np.array([[False, False], [True, True], [False, True]])
    assert first_reasons(("a", "b"), held).tolist() == ["", "a", "b"]


@pytest.mark.parametrize(
    ("name", "count", "message"),
    [("nice view", 12, r"Sub-folders are \['nice view'\]"), ("empty view", 3, "3 views are labelled 'empty view'")],
)
def test_a_folder_of_other_kinds_or_too_few_views_is_refused(
    tmp_path: Path, name: str, count: int, message: str
) -> None:
    for number in range(count):
        (tmp_path / name).mkdir(exist_ok=True)
        (tmp_path / name / f"{number}.png").touch()
    with pytest.raises(InputError, match=message):
        list_views(tmp_path)
