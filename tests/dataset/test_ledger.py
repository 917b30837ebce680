"""The ledger of looks at cut and test: what is an attempt and what is none."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from passage_cv.config import parse_settings
from passage_cv.dataset.ledger import attempt_number, attempt_policy_sha256, attempts_of, record_use, uses_of
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.policy import Policy

START = datetime(2031, 6, 1, 9, tzinfo=UTC)


def policy(**changes: object) -> Policy:
    classes = [
        {
            "code": "NSH",
            "scientific_name": "Channa argus",
            "policy": "exclude",
            "pass_cost": 20.0,
            "miss_limit": 0.05,
        },
        {"code": "BOW", "scientific_name": "Amia calva", "policy": "pass", "reject_cost": 5.0},
    ]
    values = {"format": 1, "site": "QMR-KBW-01", "confidence": 0.95, "classes": classes, **changes}
    return parse_settings(values, Policy, where="test")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store.create(tmp_path / "store", StoreSettings())


def use(
    store: Store, model: str, policy_sha256: str, minutes: int, *, counts: bool = True, role: str = "cut"
) -> None:
    record_use(
        store,
        role=role,  # type: ignore[arg-type]
        model_sha256=model * 64,
        policy_sha256=policy_sha256,
        purpose="calibrate",
        counts=counts,
        at=START + timedelta(minutes=minutes),
    )


def test_the_same_pair_is_the_same_attempt(store: Store) -> None:
    key = attempt_policy_sha256(policy())
    for minutes in (0, 5):
        use(store, "a", key, minutes)
    use(store, "b", key, 10)
    assert len(uses_of(store, "cut")) == 3
    assert [one.model_sha256[0] for one in attempts_of(store)] == ["a", "b"]
    assert attempt_number(store, model_sha256="a" * 64, policy_sha256=key) == 1
    assert attempt_number(store, model_sha256="c" * 64, policy_sha256=key) == 3


def test_hold_costs_alone_make_no_new_attempt() -> None:
    key = attempt_policy_sha256(policy())
    assert attempt_policy_sha256(policy(hold_cost=3.0)) == key
    classes = [rule.model_dump() for rule in policy().classes]
    classes[0]["hold_cost"] = 9.0
    assert attempt_policy_sha256(policy(classes=classes)) == key
    classes[0]["pass_cost"] = 30.0
    assert attempt_policy_sha256(policy(classes=classes)) != key
    assert attempt_policy_sha256(policy(confidence=0.9)) != key


def test_a_refusal_on_counts_is_no_attempt(store: Store) -> None:
    use(store, "a", "p" * 64, 0, counts=False)
    assert attempts_of(store) == []
    assert len(uses_of(store, "cut")) == 1


def test_uses_of_test_are_counted_apart(store: Store) -> None:
    use(store, "a", "p" * 64, 0, role="test")
    assert (len(uses_of(store, "cut")), len(uses_of(store, "test"))) == (0, 1)
    assert attempts_of(store) == []
    assert len(attempts_of(store, "test")) == 1
