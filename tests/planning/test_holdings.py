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
