"""Every variant is a recipe that can be run, poorer than the whole by what its name says; figures carry errors."""

import itertools

import pytest

from passage_cv.config import configs_folder, read_settings
from passage_cv.recognition.ablation import VARIANTS, changed, summarise
from passage_cv.recognition.tuned_settings import TunedSettings

TUNED = read_settings(configs_folder() / "train" / "tuned.toml", TunedSettings)


@pytest.mark.parametrize("name", list(VARIANTS))
def test_every_variant_is_a_recipe_of_its_own(name: str) -> None:
    made = changed(TUNED, VARIANTS[name])
    assert (made == TUNED) == (name == "whole")


def test_steps_are_added_one_at_a_time() -> None:
    plain = changed(TUNED, VARIANTS["plain"])
    assert (plain.schedule.balance, plain.schedule.averaging, plain.augment.mirrored) == ("none", 0.0, False)
    steps = [changed(TUNED, VARIANTS[name]).model_dump() for name in list(VARIANTS)[:7]]
    for before, after in itertools.pairwise(steps):
        moved = [(table, key) for table in ("schedule", "augment") for key in before[table]
                 if before[table][key] != after[table][key]]  # fmt: skip
        assert moved
        assert {table for table, _ in moved} in ({"schedule"}, {"augment"})


def test_means_and_errors_are_over_seeds() -> None:
    found = [
        {"variant": "whole", "balanced_accuracy_individual": a, "balanced_accuracy_individual_common": b}
        for a, b in ((0.9, 1.0), (0.8, 1.0), (1.0, 1.0))
    ]
    (row,) = summarise(found)
    assert row["mean"] == pytest.approx(0.9)
    assert row["standard_error"] == pytest.approx(0.1 / 3**0.5)  # deviation 0.1 by hand
    assert (row["common"], row["common_standard_error"]) == (1.0, 0.0)
    assert summarise(found[:1])[0]["standard_error"] is None
