"""Each class of a version left out in turn, from pictures to a table."""

import csv
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from passage_cv.errors import InputError
from passage_cv.recognition.left_out import CSV_COLUMNS, LeftOutClasses, csv_of, leave_out_classes
from passage_cv.recognition.rows import label_rows, read_run_classes
from passage_cv.recognition.unfamiliarity import NAMES
from tests.recognition.conftest import World, small_settings

SCRIPT = Path(__file__).parents[2] / "scripts" / "unknown"


@pytest.fixture(scope="module")
def found(world: World) -> LeftOutClasses:
    return leave_out_classes(world.version, small_settings(), n_folds=3)


def test_every_class_is_left_out_under_every_score(world: World, found: LeftOutClasses) -> None:
    classes = set(read_run_classes(world.run / "classes.json").classes)
    assert {one.score for one in found.scores} == set(NAMES)
    assert all(set(one.of_class) == classes for one in found.scores)
    held = [one.held for one in found.scores]
    assert held == sorted(held, reverse=True)


def test_only_train_is_looked_at_unless_every_role_is_asked_for(world: World, found: LeftOutClasses) -> None:
    rows = label_rows(world.version.table(), read_run_classes(world.run / "classes.json"), "train")
    assert sum(found.individuals.values()) == len(set(rows.column("individual")))
    every = leave_out_classes(world.version, small_settings(), every_role=True, n_folds=3)
    assert sum(every.individuals.values()) == 30


def test_the_means_of_the_file_are_those_of_its_lines(found: LeftOutClasses) -> None:
    lines = list(csv.DictReader(csv_of(found).splitlines()))
    assert tuple(lines[0]) == CSV_COLUMNS
    for score in NAMES:
        mean, *each = (line for line in lines if line["score"] == score)
        assert (mean["class"], len(each)) == ("", 3)
        for figure in ("auroc", "held"):
            assert float(mean[figure]) == pytest.approx(np.mean([float(line[figure]) for line in each]), abs=1e-4)


def test_settings_without_a_discriminant_are_refused(world: World) -> None:
    plain = small_settings(heads=())
    with pytest.raises(InputError, match="3 classes and 0 discriminant heads"):
        leave_out_classes(world.version, plain, n_folds=3)


@pytest.mark.slow
def test_the_script_prints_the_table_and_writes_the_file(world: World, tmp_path: Path) -> None:
    out, store = tmp_path / "unknown.csv", str(world.store.storage.root)
    done = subprocess.run([sys.executable, SCRIPT, store, "-o", out], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "mean AUROC" in done.stdout
    assert len(out.read_text().splitlines()) == 1 + len(NAMES) * 4
