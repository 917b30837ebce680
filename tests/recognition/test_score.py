"""Scores of a version and of a folder: each role by the path it is owed."""

import json
import os
import shutil
import signal
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from passage_cv.cli.score import app
from passage_cv.errors import InputError
from passage_cv.intake.images import decode_picture
from passage_cv.parallel import process_pool
from passage_cv.recognition.crop import CropSettings, crop_image
from passage_cv.recognition.model import GateModel
from passage_cv.recognition.score import UNREADABLE, score_folder, score_version
from passage_cv.scores import Scores, read_scores
from tests.recognition.conftest import SIZE, World, paint


@pytest.fixture(scope="module")
def scores(world: World) -> Scores:
    return score_version(world.run, world.store, world.version)


def test_every_gate_view_has_one_row_and_its_role(world: World, scores: Scores) -> None:
    table = world.version.table().to_pylist()
    found = dict(zip(scores.text["image_sha256"], scores.role, strict=True))
    assert found == {row["image_sha256"]: row["role"] for row in table}
    assert len(scores) == len(table)


def test_train_rows_are_the_out_of_fold_ones(world: World, scores: Scores) -> None:
    kept = read_scores(world.run / "train_scores.parquet")
    np.testing.assert_array_equal(scores.with_role("train").values, kept.values)


def test_cut_and_test_rows_go_from_the_original_through_the_model_file(world: World, scores: Scores) -> None:
    model, rest = GateModel(world.run / "model.onnx"), scores.where(scores.role != "train")
    assert len(rest) > 0
    for sha256, row in zip(rest.text["image_sha256"], rest.values, strict=True):
        original = decode_picture(world.store.read_object(str(sha256)))
        expected = model.logits(crop_image(original, CropSettings(size=SIZE))[None])[0]
        np.testing.assert_array_equal(row, expected)


def test_scores_say_where_they_come_from(world: World, scores: Scores) -> None:
    assert scores.meta["model_sha256"] == world.summary.model_sha256
    assert scores.meta["version"] == world.version.name
    assert (scores.meta["unit"], scores.meta["cut_share"]) == ("individual", 0.4)
    assert scores.classes == world.summary.classes


def test_a_folder_is_scored_with_one_bad_picture_as_one_result(world: World, tmp_path: Path) -> None:
    paint(tmp_path / "pictures/a/green.png", "BOW", 900)
    (tmp_path / "pictures/bad.jpg").write_bytes(b"no picture")
    found = score_folder(world.run, tmp_path / "pictures")
    assert found.individual.tolist() == ["a/green.png", "bad.jpg"]
    assert found.text["hold_reason"].tolist() == ["", UNREADABLE]
    assert found.classes[int(found.values[0].argmax())] == "amia-calva"
    assert np.isnan(found.values[1]).all()
    assert set(found.role) == {"excluded"}


def test_a_folder_without_pictures_is_refused(world: World, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="Folder holds no picture"):
        score_folder(world.run, tmp_path)


def test_a_run_whose_model_was_changed_is_refused(world: World, tmp_path: Path) -> None:
    run = Path(shutil.copytree(world.run, tmp_path / "run"))
    data = bytearray((run / "model.onnx").read_bytes())
    data[-40] ^= 1
    (run / "model.onnx").write_bytes(bytes(data))
    with pytest.raises(InputError, match=r"its scores belong to|cannot be loaded"):
        score_version(run, world.store, world.version)


def test_a_run_whose_crop_was_changed_is_refused(world: World, tmp_path: Path) -> None:
    run = Path(shutil.copytree(world.run, tmp_path / "run"))
    crop = json.loads((run / "crop.json").read_text())
    (run / "crop.json").write_text(json.dumps({**crop, "fill": crop["fill"] - 1}))
    with pytest.raises(InputError, match="scores were made with crop") as refused:
        score_version(run, world.store, world.version)
    assert refused.value.where == str(run / "crop.json")


def test_the_command_writes_scores_that_read_back(world: World, tmp_path: Path) -> None:
    out = tmp_path / "scores.parquet"
    done = CliRunner().invoke(
        app, [str(world.run), "latest", "-o", str(out), "--store", str(world.store.storage.root)]
    )
    assert done.exit_code == 0, done.output
    assert "0 of them unreadable" in done.output
    assert len(read_scores(out)) == len(world.version.table())


def test_a_worker_killed_in_the_middle_changes_nothing(world: World, tmp_path: Path) -> None:
    for number in range(60):
        paint(tmp_path / "pictures" / f"{number:02d}.png", "BOW", number)
    killed = []

    with process_pool(2) as pool:

        def kill_one_worker(label: str, done: int, total: int) -> None:
            if done and not killed:
                assert done < total, label
                killed.append(next(iter(pool._processes)))
                os.kill(killed[0], signal.SIGKILL)

        found = score_folder(world.run, tmp_path / "pictures", executor=pool, progress=kill_one_worker)
    assert killed
    model = GateModel(world.run / "model.onnx")
    for name, row in zip(found.individual, found.values, strict=True):
        picture = decode_picture((tmp_path / "pictures" / str(name)).read_bytes())
        np.testing.assert_array_equal(row, model.logits(crop_image(picture, CropSettings(size=SIZE))[None])[0])


def test_any_executor_can_score(world: World, scores: Scores) -> None:
    with ThreadPoolExecutor(2) as threads:
        found = score_version(world.run, world.store, world.version, executor=threads)
    np.testing.assert_array_equal(found.values, scores.values)
