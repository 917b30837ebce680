"""What is wrong with a folder of photographs is said before anything is written; a good one gives a summary."""

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from passage_cv.cli.real_data import app
from passage_cv.config import configs_folder, read_settings
from passage_cv.errors import InputError
from passage_cv.real_data import Asked, class_code, cross_validate_version, read_labels, run_real_data
from passage_cv.recognition.ablation import changed
from passage_cv.recognition.train import TrainSettings
from tests.recognition.conftest import COLOURS, World, paint, small_settings, tuned_settings

REEF = Path(__file__).parents[2].parent / "shared" / "reef-fish"
NAMES = {"NSH": "Channa argus", "BOW": "Amia calva", "AMS": "Alosa sapidissima"}


def write_folder(folder: Path, *, per_class: int = 10) -> Path:
    """Coloured pictures with a labels.csv; two pictures per sequence, an extra column."""
    lines = ["image,scientificName,sequence,note"]
    for code in COLOURS:
        for n in range(per_class):
            for view in range(2):
                image = f"images/{code}-{n}-{view}.png"
                paint(folder / image, code, len(lines))
                lines.append(f"{image},{NAMES[code]},{code}-{n},x")
    (folder / "labels.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def test_labels_are_read_and_further_columns_ignored(tmp_path: Path) -> None:
    labels = read_labels(write_folder(tmp_path, per_class=1))
    assert len(labels) == 6
    assert (labels[0].image, labels[0].scientific_name, labels[0].sequence) == (
        "images/NSH-0-0.png",
        "Channa argus",
        "NSH-0",
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (None, "labels.csv is missing"),
        ("image,scientificName\na.png,x\n", "labels.csv has no sequence"),
        ("image,scientificName,sequence\na.png,,s1\n", "scientificName is empty in row 2"),
    ],
)
def test_a_folder_that_cannot_be_used_is_refused(tmp_path: Path, text: str | None, message: str) -> None:
    if text is not None:
        (tmp_path / "labels.csv").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message):
        read_labels(tmp_path)


def test_a_folder_that_holds_something_is_not_filled(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "kept.txt").write_text("mine")
    with pytest.raises(InputError, match="Folder is not empty"):
        run_real_data(write_folder(tmp_path / "in", per_class=1), tmp_path / "out", Asked(), small_settings())


def test_codes_fit_a_policy() -> None:
    assert class_code("Plectroglyphidodon dickii") == "plectroglyphidodon-dickii"
    assert class_code("Scaridae (juv.)") == "scaridae-juv"


@pytest.mark.slow
def test_figures_hold_every_key_and_agree_on_plain_colours(world: World) -> None:
    found = cross_validate_version(world.version, Asked(folds=3, seeds=2), small_settings())
    assert (found["classes"], found["individuals"], found["images"]) == (3, 30, 45)
    assert found["balanced_accuracy_individual"] >= 0.95
    assert found["plain_balanced_accuracy_individual"] >= 0.95
    assert set(found["standard_error"]) == set(found["by_seed"][0])
    assert len(found["by_seed"]) == 2


@pytest.mark.slow
def test_fine_tuning_has_its_figures_and_classes_left_out_of_it(world: World) -> None:
    settings = changed(tuned_settings(epochs=1), {"network": {"name": "squeezenet1_1"}})
    found = cross_validate_version(world.version, Asked(folds=2, unknown=True), settings)
    assert 0 <= found["balanced_accuracy_individual"] <= 1
    assert "balanced_accuracy_individual_ungrouped" not in found  # what leakage would say takes as long again
    for score in found["leave_one_class_out"].values():
        assert set(score["held_of_class"]) == set(found["individuals_of_class"])


@pytest.mark.slow
def test_a_folder_becomes_a_report_and_a_verified_package(tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = CliRunner().invoke(
        app,
        [str(write_folder(tmp_path / "in")), "--out", str(out), "--excluded-class", "Channa argus", "--folds", "3"],
    )
    assert done.exit_code == 0, done.output
    summary = json.loads((out / "summary.json").read_text())
    assert summary["excluded"] == ["channa-argus"]
    assert summary["package_verified"] is True
    limit = summary["cutoffs"]["limits"][0]
    assert (limit["n"], limit["met"]) == (4, False)  # 14 fish are needed for 0.2 at 95 %: 0.8^13 = 0.055 > 0.05
    assert summary["cutoffs"]["u"] is None
    assert (out / "report" / "report.html").is_file()


@pytest.mark.slow
@pytest.mark.reef
@pytest.mark.skipif(
    not REEF.is_dir(), reason="open reef photographs are not beside the project (../shared/reef-fish)"
)
def test_reef_photographs_reach_more_than_a_plain_script(tmp_path: Path) -> None:
    settings = read_settings(configs_folder() / "train" / "quick.toml", TrainSettings)
    found = run_real_data(REEF, tmp_path / "out", Asked(seeds=5), settings)
    assert len(found["by_seed"]) == 5
    assert found["standard_error"]["balanced_accuracy_individual"] < 0.02
    assert (found["classes"], found["individuals"], found["images"]) == (11, 345, 914)  # SOURCE.md of the photographs
    assert found["balanced_accuracy_individual"] >= 0.79
    assert found["balanced_accuracy_individual"] > found["plain_balanced_accuracy_individual"]
    assert found["balanced_accuracy_individual_ungrouped"] > found["balanced_accuracy_individual"]
    assert np.isclose(found["plain_balanced_accuracy_individual"], 0.72, atol=0.03)
