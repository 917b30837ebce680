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
from passage_cv.policy import ClassRule, Policy
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
    assert found.cost is None
    assert (found.overall.only_first, found.overall.only_second) == (5, 0)
    assert found.overall.p_value == pytest.approx(binomtest(0, 5, 0.5).pvalue)  # SciPy's exact test
    assert found.overall.difference == pytest.approx(-5 / len(names))
    assert sum(tally.only_first for tally in found.per_class.values()) == 5
    swapped = compare_runs(tmp_path / "other", world.run)
    assert swapped.overall.difference == -found.overall.difference


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


def run_policy(world: World) -> Policy:
    """Costs for the three painted species; the snakehead is excluded."""
    rules = [
        ClassRule(code=code, scientific_name=code, policy="exclude", pass_cost=20, expected_share=0.1)
        if code == "channa-argus"
        else ClassRule(code=code, scientific_name=code, policy="pass", reject_cost=5, expected_share=0.45)
        for code in world.summary.classes
    ]
    return Policy.model_validate({"format": 1, "site": "S", "confidence": 0.95, "classes": rules})


def test_costs_are_those_of_the_errors_at_the_shares_of_the_site(world: World, tmp_path: Path) -> None:
    scores = read_scores(world.run / "train_scores.parquet")
    snakeheads = sorted(set(scores.individual[scores.label == "channa-argus"].tolist()))
    found = compare_runs(world.run, other_run(world, tmp_path / "other", snakeheads[:1]), policy=run_policy(world))
    assert found.cost is not None
    assert found.cost.first == 0.0
    # one of the snakeheads is surely taken for another fish and passed, at 20; they are 0.1 of presentations
    assert found.cost.second == pytest.approx(0.1 * 20 / len(snakeheads))
    assert found.cost.low <= found.cost.difference <= found.cost.upper
    assert (found.cost.unit, found.cost.units) == ("individuals", len(individuals(world)))
    assert found.disagreements[0].cost == 20.0


def test_a_policy_of_other_classes_is_refused(world: World) -> None:
    rules = run_policy(world).classes[:2]
    policy = run_policy(world).model_copy(update={"classes": rules})
    with pytest.raises(InputError, match="The runs and the policy differ in the classes"):
        compare_runs(world.run, world.run, policy=policy)


def test_the_page_shows_the_pictures_of_every_disagreement(world: World, tmp_path: Path) -> None:
    wrong = individuals(world)[:2]
    other = other_run(world, tmp_path / "other", wrong)
    store = str(world.store.storage.root)
    done = CliRunner().invoke(app, [str(world.run), str(other), "--store", store, "-o", str(tmp_path / "page")])
    assert done.exit_code == 0, done.output
    page = (tmp_path / "page" / "comparison.html").read_text()
    scores = read_scores(world.run / "train_scores.parquet")
    assert page.count("data:image/jpeg;base64,") == int(np.isin(scores.individual, wrong).sum())
    assert len(json.loads((tmp_path / "page" / "comparison.json").read_text())["disagreements"]) == 2
