"""Classes within a species by mark and sex: who is of which, who of none, and both errors counted apart."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from pydantic import ValidationError

from passage_cv.dataset.storage import Storage
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.decision.calibrate import calibrate
from passage_cv.errors import InputError
from passage_cv.evaluation.assess import assess
from passage_cv.gate.picking import pick_reference_pictures
from passage_cv.policy import ClassRule, Policy
from passage_cv.recognition.rows import UNKNOWN, choose_classes, classes_of, label_rows
from passage_cv.scores import build_scores

LAMPREY, SUCKER = "Petromyzon marinus", "Catostomus commersonii"


def lamprey_policy(**changes: object) -> Policy:
    """Released sterile males (left ventral clip) may pass; fertile males and females may not."""
    rules = [
        {"code": "MALE", "scientific_name": LAMPREY, "policy": "exclude", "pass_cost": 20, "miss_limit": 0.05,
         "where": {"sex": "M", "mark": "NM"}},
        {"code": "FEMALE", "scientific_name": LAMPREY, "policy": "exclude", "pass_cost": 60, "miss_limit": 0.05,
         "where": {"sex": "F"}},
        {"code": "STERILE", "scientific_name": LAMPREY, "policy": "pass", "reject_cost": 5,
         "where": {"sex": "M", "mark": "LV"}},
        {"code": "WSK", "scientific_name": SUCKER, "policy": "pass", "reject_cost": 5},
    ]  # fmt: skip
    return Policy.model_validate({"format": 1, "site": "S", "confidence": 0.95, "classes": rules, **changes})


ANIMALS = (
    (LAMPREY, "M", "NM", "MALE"),
    (LAMPREY, "M", "LV", "STERILE"),
    (LAMPREY, "F", "NM", "FEMALE"),
    (LAMPREY, "F", "NX", "FEMALE"),
    (LAMPREY, "M", "NX", ""),
    (LAMPREY, "", "NM", ""),
    (LAMPREY, "U", "LV", ""),
    (LAMPREY, "M", "RV", UNKNOWN),
    (SUCKER, "", "", "WSK"),
    ("Amia calva", "M", "NM", UNKNOWN),
)
"""Species, sex, mark as the sheet has them, and the class: "" where the sheet does not tell."""


def version_table(animals: tuple[tuple[str, str, str, str], ...] = ANIMALS) -> pa.Table:
    names, sexes, marks, _ = zip(*animals, strict=True)
    n = len(animals)
    return pa.table(
        {
            "scientificName": names, "sex": sexes, "mark": marks, "lifeStage": [""] * n,
            "purpose": ["gate view"] * n, "individual": [str(i) for i in range(n)], "role": ["train"] * n,
            "image_sha256": [f"{i:064x}" for i in range(n)], "sheet_order": list(range(n)),
        }
    )  # fmt: skip


@pytest.mark.parametrize(("species", "sex", "mark", "expected"), ANIMALS)
def test_each_animal_is_of_the_class_that_its_mark_and_sex_say(
    species: str, sex: str, mark: str, expected: str
) -> None:
    row = {"scientificName": species, "sex": sex, "mark": mark}
    assert classes_of(lamprey_policy()).class_of(row) == expected


def test_animals_that_nobody_examined_are_left_out() -> None:
    classes = choose_classes(version_table(), lamprey_policy())
    rows = label_rows(version_table(), classes, "train")
    assert rows.label.tolist() == [expected for *_, expected in ANIMALS if expected]
    assert classes.classes == ("MALE", "FEMALE", "STERILE", "WSK")


def test_a_class_without_an_examined_animal_is_refused() -> None:
    without = tuple(animal for animal in ANIMALS if animal[3] != "STERILE")
    with pytest.raises(InputError, match="No gate view in train of STERILE"):
        choose_classes(version_table(without), lamprey_policy())


def test_two_classes_that_one_fish_could_be_of_are_refused() -> None:
    rules = [rule.model_dump(exclude_none=True) for rule in lamprey_policy().classes]
    rules[1]["where"] = {"mark": "NM"}  # an unmarked male would be MALE and FEMALE
    with pytest.raises(ValidationError, match=r"MALE and FEMALE are both Petromyzon marinus"):
        Policy.model_validate({"format": 1, "site": "S", "confidence": 0.95, "classes": rules})


def test_a_policy_without_attributes_keeps_its_hash() -> None:
    plain = ClassRule(code="WSK", scientific_name=SUCKER, policy="pass", reject_cost=5)
    assert "where" not in plain.model_dump(mode="json")


def test_reference_pictures_are_of_the_class_of_the_mark(tmp_path: Path) -> None:
    @dataclass
    class Pictures:
        storage: Storage

        def object_path(self, sha256: str) -> str:
            return sha256

    @dataclass
    class Version:
        store: Pictures

        def table(self) -> pa.Table:
            return version_table()

    empty = Store.create(tmp_path / "store", StoreSettings(unit="individual", seed=1))
    picked = pick_reference_pictures(Version(Pictures(empty.storage)), lamprey_policy())
    assert {picture.label for picture in picked} == {"MALE", "FEMALE", "STERILE", "WSK"}


def test_a_fertile_male_and_a_female_taken_for_a_marked_male_are_counted_apart() -> None:
    rng = np.random.default_rng(5)
    codes, per_class = ("MALE", "FEMALE", "STERILE", "WSK"), 400
    label = np.repeat(np.arange(4), per_class)
    logits = 6.0 * np.eye(4)[label] + rng.normal(0, 1, (len(label), 4))
    role = np.array(["train", "train", "cut", "cut", "test"])[np.arange(len(label)) % 5]
    taken = np.flatnonzero((role == "test") & (label == 0))[:7]  # seven fertile males look like marked ones
    logits[taken] = 9.0 * np.eye(4)[2]
    taken_females = np.flatnonzero((role == "test") & (label == 1))[:2]
    logits[taken_females] = 9.0 * np.eye(4)[2]
    columns = {"individual": [str(i) for i in range(len(label))], "class": [codes[i] for i in label], "role": role}
    scores = build_scores("logit", codes, logits, columns)
    found = assess(scores, calibrate(scores, lamprey_policy()))
    by_class = {count.code: count for count in found.counts}
    assert (by_class["MALE"].shown, by_class["MALE"].passed) == (80, 7)
    assert (by_class["FEMALE"].shown, by_class["FEMALE"].passed) == (80, 2)
    named = dict(zip(codes, found.confusion[:, codes.index("STERILE")].tolist(), strict=True))
    assert (named["MALE"], named["FEMALE"]) == (7, 2)
