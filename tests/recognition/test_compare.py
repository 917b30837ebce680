"""Runs are compared on the same individuals or not at all."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binomtest
from typer.testing import CliRunner

from passage_cv.cli.compare import app
from passage_cv.errors import InputError
from passage_cv.recognition.compare import compare_runs
from passage_cv.scores import read_scores, write_scores
from tests.recognition.conftest import World


def other_run(world: World, folder: Path, wrong: list[str], **metrics: object) -> Path:
    """A copy of the run that gets some individuals wrong, with other metrics."""
    run = Path(shutil.copytree(world.run, folder))
    scores = read_scores(run / "train_scores.parquet")
    values = scores.values.copy()
    place = {name: i for i, name in enumerate(scores.classes)}
    for row, (individual, label) in enumerate(zip(scores.individual, scores.label, strict=True)):
        if individual in wrong:
            values[row] = 0.0
            values[row, (place[str(label)] + 1) % len(place)] = 9.0
    write_scores(replace(scores, values=values), run / "train_scores.parquet")
    known = json.loads((run / "metrics.json").read_text())
    (run / "metrics.json").write_text(json.dumps({**known, **metrics}))
    return run


def individuals(world: World) -> list[str]:
    return sorted(set(read_scores(world.run / "train_scores.parquet").individual.tolist()))


def test_a_run_equals_itself(world: World) -> None:
    found = compare_runs(world.run, world.run)
    assert (found.overall.only_first, found.overall.only_second, found.overall.p_value) == (0, 0, 1.0)
    assert found.overall.individuals == len(individuals(world))
    assert found.disagreements == ()


def test_discordant_individuals_are_counted_once_each_and_tested(world: World, tmp_path: Path) -> None:
    names = individuals(world)
    wrong = names[:5]
    found = compare_runs(world.run, other_run(world, tmp_path / "other", wrong))
    assert [one.individual for one in found.disagreements] == wrong
    assert (found.overall.only_first, found.overall.only_second) == (5, 0)
    assert found.overall.p_value == pytest.approx(binomtest(0, 5, 0.5).pvalue)  # SciPy's exact test
    assert found.overall.difference.value == pytest.approx(-5 / len(names))
    assert sum(tally.only_first for tally in found.per_class.values()) == 5
    swapped = compare_runs(tmp_path / "other", world.run)
    assert swapped.overall.difference.value == -found.overall.difference.value


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"version": "000002-0123456789ab"}, "other versions: 000001-"),
        ({"roles_sha256": "f" * 64}, "other role train"),
        ({"fold_unit": "trip"}, "other fold units: individual and trip"),
    ],
)
def test_other_fish_are_refused(world: World, tmp_path: Path, changed: dict[str, str], message: str) -> None:
    with pytest.raises(InputError, match=message):
        compare_runs(world.run, other_run(world, tmp_path / "other", [], **changed))


def test_the_command_says_who_is_right_more_often(world: World, tmp_path: Path) -> None:
    other = other_run(world, tmp_path / "other", individuals(world)[:2])
    done = CliRunner().invoke(app, [str(world.run), str(other)])
    assert done.exit_code == 0, done.output
    assert "McNemar" in done.output
    as_json = CliRunner().invoke(app, [str(world.run), str(other), "--json"])
    assert json.loads(as_json.output)["overall"]["only_first"] == 2


def test_an_unseen_individual_is_left_out_of_both(world: World, tmp_path: Path) -> None:
    run = Path(shutil.copytree(world.run, tmp_path / "other"))
    scores = read_scores(run / "train_scores.parquet")
    first = individuals(world)[0]
    values = np.where((scores.individual == first)[:, None], np.nan, scores.values)
    write_scores(replace(scores, values=values), run / "train_scores.parquet")
    found = compare_runs(world.run, run)
    assert found.left_out == 1
    assert found.overall.individuals == len(individuals(world)) - 1
