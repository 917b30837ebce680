"""Fish at hand are counted once, in role cut, as gate views, by the policy's classes."""

import pyarrow as pa
import pytest

from passage_cv.config import configs_folder
from passage_cv.planning.holdings import count_in_cut
from passage_cv.policy import Policy, read_policy


@pytest.fixture
def policy() -> Policy:
    return read_policy(configs_folder() / "policy" / "quillmarsh.toml")


def image(individual: str, trip: str, **change: str) -> dict[str, str]:
    plain = {
        "individual": individual,
        "trip": trip,
        "scientificName": "Channa argus",
        "role": "cut",
        "purpose": "gate view",
    }
    return {**plain, **change}


IMAGES = pa.Table.from_pylist(
    [
        image("A", "t1"),
        image("A", "t1"),
        image("B", "t1"),
        image("C", "t2", role="train"),
        image("D", "t2", purpose="voucher"),
        image("E", "t2", scientificName="Ictalurus furcatus"),
        image("F", "t2", scientificName="Esox lucius"),
    ]
)


def test_individuals_count_once_whatever_their_images(policy: Policy) -> None:
    found = count_in_cut(IMAGES, policy)
    assert (found["NSH"], found["BCF"], found["SNS"]) == (2, 1, 0)
    assert set(found) == set(policy.codes)


def test_trip_modes_count_trips(policy: Policy) -> None:
    found = count_in_cut(IMAGES, policy.model_copy(update={"mode": "trip"}))
    assert (found["NSH"], found["BCF"]) == (1, 1)


def test_classes_of_one_species_are_told_apart_by_mark_and_sex() -> None:
    lamprey = {"scientific_name": "Petromyzon marinus", "policy": "exclude", "pass_cost": 20}
    rules = [
        {"code": "MALE", **lamprey, "where": {"sex": "M", "mark": "NM"}},
        {"code": "FEMALE", **lamprey, "where": {"sex": "F"}},
        {"code": "WSK", "scientific_name": "Catostomus commersonii", "policy": "pass", "reject_cost": 5},
    ]
    policy = Policy.model_validate({"format": 1, "site": "S", "confidence": 0.95, "classes": rules})
    animals = (("A", "M", "NM"), ("B", "M", "NM"), ("C", "F", "NX"), ("D", "M", "NX"), ("E", "U", "NM"))
    rows = [image(name, "t1", scientificName="Petromyzon marinus", sex=sex, mark=mark) for name, sex, mark in animals]
    rows.append(image("F", "t1", scientificName="Catostomus commersonii", sex="", mark=""))
    assert count_in_cut(pa.Table.from_pylist(rows), policy) == {"MALE": 2, "FEMALE": 1, "WSK": 1}
