"""Which cut individuals may still set a cutoff: each has one confidence to spend."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.attempts import Standing, attempt_standing
from passage_cv.dataset.ledger import record_use
from passage_cv.dataset.store import Shares, Store, StoreSettings
from passage_cv.dataset.versions import open_version
from passage_cv.errors import InputError
from passage_cv.intake.check import check_batch
from tests.batches import FACTS, trip_rows, write_batch

NOON = datetime(2031, 5, 12, 12, tzinfo=UTC)
KEY = "p" * 64


class World:
    """A store that grows by a trip at a time; every step is an hour later."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.hour = folder, 0
        settings = StoreSettings(unit="individual", shares=Shares(train=0.5, cut=0.5, test=0))
        self.store = Store.create(folder / "store", settings)

    def now(self) -> datetime:
        self.hour += 1
        return NOON + timedelta(hours=self.hour)

    def trip(self, name: str) -> set[str]:
        """Accept a trip of eight fish; its individuals of role cut."""
        before = self.cut()
        rows = trip_rows(name, 8)
        batch = write_batch(self.folder / name, rows, {**FACTS, "trip": name, "eventID": f"{name}-1"})
        accept_batch(check_batch(batch), self.store, author="TBO", at=self.now())
        return self.cut() - before

    def cut(self) -> set[str]:
        try:
            table = open_version(self.store).table()
        except InputError:  # the store is still empty
            return set()
        pairs = zip(table["individual"].to_pylist(), table["role"].to_pylist(), strict=True)
        return {name for name, role in pairs if role == "cut"}

    def version(self) -> str:
        return open_version(self.store).name

    def standing(self, model: str, *, attempts: int = 1, version: str | None = None) -> Standing:
        return attempt_standing(
            self.store,
            self.cut(),
            model_sha256=model * 64,
            policy_sha256=KEY,
            attempts=attempts,
            version=self.version() if version is None else version,
        )

    def read(self, model: str, *, attempts: int = 1, counts: bool = True, version: str | None = None) -> None:
        record_use(
            self.store,
            role="cut",
            model_sha256=model * 64,
            policy_sha256=KEY,
            purpose="calibrate",
            version=self.version() if version is None else version,
            attempts=attempts,
            counts=counts,
            at=self.now(),
        )


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


def test_the_first_attempt_leaves_nobody_out(world: World) -> None:
    assert world.trip("T1")
    assert world.standing("a") == Standing(1, frozenset())


def test_the_same_pair_on_the_same_fish_is_the_same_attempt(world: World) -> None:
    world.trip("T1")
    world.read("a")
    assert world.standing("a") == Standing(1, frozenset())


def test_another_model_may_use_only_fish_that_came_afterwards(world: World) -> None:
    first = world.trip("T1")
    world.read("a")
    assert world.standing("b") == Standing(2, frozenset(first))
    second = world.trip("T2")
    assert second
    assert world.standing("b") == Standing(2, frozenset(first))


def test_topping_up_after_a_look_is_a_new_attempt_on_the_new_fish(world: World) -> None:
    first = world.trip("T1")
    world.read("a")
    world.trip("T2")
    assert world.standing("a") == Standing(2, frozenset(first))


def test_topping_up_after_a_refusal_on_counts_is_none(world: World) -> None:
    world.trip("T1")
    world.read("a", counts=False)
    world.trip("T2")
    assert world.standing("a") == Standing(1, frozenset())


def test_attempts_fixed_beforehand_share_the_same_fish(world: World) -> None:
    first = world.trip("T1")
    world.read("a", attempts=2)
    assert world.standing("b", attempts=2) == Standing(2, frozenset())
    world.read("b", attempts=2)
    assert world.standing("c", attempts=2) == Standing(3, frozenset(first))


def test_what_was_spent_whole_cannot_be_shared_later(world: World) -> None:
    """An attempt that took all the confidence leaves none for a policy that now says it had planned two."""
    first = world.trip("T1")
    world.read("a", attempts=1)
    assert world.standing("b", attempts=2) == Standing(2, frozenset(first))


def test_a_look_without_a_version_has_read_all_that_was_there(world: World) -> None:
    first = world.trip("T1")
    world.read("a", version="")
    world.trip("T2")
    assert world.standing("b") == Standing(2, frozenset(first))


def test_fish_the_store_does_not_know_count_as_read(world: World) -> None:
    world.trip("T1")
    world.read("a")
    found = attempt_standing(
        world.store, {"stranger"}, model_sha256="b" * 64, policy_sha256=KEY, attempts=1, version=world.version()
    )
    assert found.spent == {"stranger"}
