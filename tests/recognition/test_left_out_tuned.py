"""Classes left out of fine-tuning: none of their fish is ever learnt from, and no fish is scored that was."""

import csv

import numpy as np
import pytest

from passage_cv.dataset.versions import Version, open_version
from passage_cv.errors import InputError
from passage_cv.recognition import left_out_tuned
from passage_cv.recognition.ablation import changed, everybody
from passage_cv.recognition.finetune import Bench, Learnt, Lesson, fit_network
from passage_cv.recognition.heads import Examples, Head
from passage_cv.recognition.left_out import LeftOutClasses, csv_of
from passage_cv.recognition.left_out_tuned import (
    ROUND,
    Absence,
    Taught,
    leave_out_of_tuning,
    plan_absences,
    score_absence,
)
from passage_cv.recognition.unfamiliarity import DEFAULT, DIRECTION, NAMES, OF_LOGITS, RELATIVE, judge_score
from tests.recognition.conftest import make_store, tuned_settings

N_CLASSES, PER_CLASS = 7, 6


def many_fish() -> Examples:
    """Seven classes of six individuals, every other of them with two images."""
    individual = np.repeat(np.arange(N_CLASSES * PER_CLASS), np.resize([1, 2], N_CLASSES * PER_CLASS))
    return Examples(np.zeros((len(individual), 0)), individual // PER_CLASS, individual, N_CLASSES)


@pytest.mark.parametrize(("n_groups", "n_folds"), [(3, 2), (7, 3)])
def test_each_class_is_left_out_once_and_no_fish_is_asked_of_a_network_that_learnt_from_it(
    n_groups: int, n_folds: int
) -> None:
    examples = many_fish()
    plan = plan_absences(examples, n_groups=n_groups, n_folds=n_folds, seed=1)
    left_out = [set(examples.label[one.is_strange]) for one in plan]
    assert sorted(label for group in left_out for label in group) == list(range(N_CLASSES))
    for absence, group in zip(plan, left_out, strict=True):
        assert absence.n_networks == n_folds
        for number in range(n_folds):
            taught = absence.taught(number)
            assert not set(examples.label[taught]) & group
            assert set(examples.label[taught]) | group == set(range(N_CLASSES))
            assert not set(examples.individual[taught]) & set(examples.individual[absence.asked == number])


def test_groups_are_drawn_from_the_seed() -> None:
    def groups(seed: int) -> list[list[bool]]:
        return [one.is_strange.tolist() for one in plan_absences(many_fish(), n_groups=3, n_folds=2, seed=seed)]

    assert groups(1) == groups(1) != groups(2)


@pytest.mark.parametrize("n_groups", [1, 8])
def test_groups_that_leave_nothing_to_learn_or_hold_no_class_are_refused(n_groups: int) -> None:
    with pytest.raises(InputError, match=f"7 classes cannot be left out in {n_groups} groups"):
        plan_absences(many_fish(), n_groups=n_groups, n_folds=2, seed=1)


def test_a_stranger_off_every_axis_is_found_by_features_and_not_by_logits() -> None:
    """Two known classes at +3 and -3 of one feature, strangers at +3 there, too, and at 9 of another feature."""
    rng = np.random.default_rng(1)
    label = np.repeat([0, 1, 2], 40)
    features = rng.normal(0, 0.3, (120, 4))
    features[:, 0] += np.array([3.0, -3.0, 3.0])[label]
    features[label == 2, 1] += 9.0
    examples = Examples(np.zeros((120, 0)), label, np.arange(120), 3)
    head = Head(np.array([[1.0, 0, 0, 0], [-1.0, 0, 0, 0], [0, 0, 0, 0]]), np.zeros(3), np.array([True, True, False]))
    absence = Absence(label == 2, np.arange(120) % 2)
    found = score_absence(examples, absence, [Taught(head, features)] * 2)
    assert set(found) == {*NAMES, *(name + ROUND for name in NAMES if name not in OF_LOGITS)}
    held = {name: judge_score(values[:80], values[80:]).held for name, values in found.items()}
    assert held[DIRECTION] == held[DIRECTION + ROUND] == held["nearest class mean"] == 1.0
    assert held["centred energy"] < 0.3
    for ending in ("", ROUND):  # direction counts twice, each in standard deviations of known fish
        direction, relative = ((values - values[:80].mean()) / values[:80].std() for values in
                               (found[DIRECTION + ending], found[RELATIVE + ending]))  # fmt: skip
        np.testing.assert_allclose(found[DEFAULT + ending], (2 * direction + relative) / 3, rtol=1e-9)


@pytest.fixture(scope="module")
def lessons() -> list[tuple[Bench, Lesson]]:
    """Every fit of the run below, as it was asked for."""
    return []


@pytest.fixture(scope="module")
def version(tmp_path_factory: pytest.TempPathFactory) -> Version:
    return open_version(make_store(tmp_path_factory.mktemp("left-out"), per_class=5))


@pytest.fixture(scope="module")
def found(version: Version, lessons: list[tuple[Bench, Lesson]]) -> LeftOutClasses:
    def watched(bench: Bench, lesson: Lesson) -> Learnt:
        lessons.append((bench, lesson))
        return fit_network(bench, lesson)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(left_out_tuned, "fit_network", watched)
        settings = changed(tuned_settings(epochs=1), {"network": {"name": "squeezenet1_1"}})  # 512 features
        return leave_out_of_tuning(version, settings, every_role=True, n_groups=3, n_folds=2)


def test_networks_are_handed_no_picture_of_a_left_out_class(
    version: Version, found: LeftOutClasses, lessons: list[tuple[Bench, Lesson]]
) -> None:
    rows, classes = everybody(version)
    species = dict(zip(rows.images, rows.label.tolist(), strict=True))
    individual = dict(zip(rows.images, rows.column("individual"), strict=True))
    assert len(lessons) == 3 * 2
    absent = []
    for bench, lesson in lessons:
        assert lesson.learn.tolist() == list(range(len(bench.images)))
        met = {species[image] for image in bench.images}
        assert bench.examples.n_classes == len(met) == 2
        absent += list(set(classes.classes) - met)
    assert sorted(absent) == sorted(2 * classes.classes)
    for (first, _), (second, _) in zip(lessons[::2], lessons[1::2], strict=True):  # the two folds of a group
        assert not {individual[image] for image in first.images} & {individual[image] for image in second.images}
    assert len({lesson.number for _, lesson in lessons}) == len(lessons)  # each draws otherwise


def test_every_score_and_class_has_a_line(found: LeftOutClasses) -> None:
    lines = list(csv.DictReader(csv_of(found).splitlines()))
    assert len(lines) == (len(NAMES) + len(NAMES) - len(OF_LOGITS)) * 4
    for line in lines:
        assert 0 <= float(line["held"]) <= 1
        assert 0 <= float(line["auroc"]) <= 1


def test_schedules_run_to_their_end_with_nothing_to_judge_by(lessons: list[tuple[Bench, Lesson]]) -> None:
    for bench, lesson in lessons:
        assert lesson.last_epoch == bench.settings.schedule.epochs == bench.settings.schedule.judged_every
        assert len(lesson.predict) == 0
