"""Roles: balanced, lasting, one per animal."""

import hashlib
from collections import Counter, defaultdict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.dataset.roles import LIMITED, OTHER, Observation, RoleState, block_roles, draw_roles
from passage_cv.dataset.store import Shares, StoreSettings


def seen(n: int, individual: str, trip: str, species: str = "Amia calva", purpose: str = "gate view") -> Observation:
    return Observation(f"{n:064d}", individual, trip, species, purpose)


@given(
    seed=st.integers(0, 10**9),
    block=st.integers(0, 1000),
    shares=st.sampled_from([(0.4, 0.4, 0.2), (0.5, 0.5, 0.0), (0.33, 0.33, 0.34), (0.25, 0.5, 0.25)]),
)
def test_each_block_holds_its_shares(seed: int, block: int, shares: tuple[float, float, float]) -> None:
    given_shares = Shares(train=shares[0], cut=shares[1], test=shares[2])
    counts = Counter(block_roles(given_shares, seed=seed, stratum="s", block=block))
    n = given_shares.block_size
    assert [counts[role] for role in ("train", "cut", "test")] == [round(share * n) for share in shares]


def test_the_order_of_a_block_is_that_of_the_written_recipe() -> None:
    ranks = {slot: hashlib.sha256(f"7/other/3/{slot}".encode()).hexdigest() for slot in range(5)}
    by_hand = [("train", "train", "cut", "cut", "test")[slot] for slot in sorted(ranks, key=ranks.__getitem__)]
    assert list(block_roles(Shares(), seed=7, stratum="other", block=3)) == by_hand


def test_blocks_differ_and_seeds_differ() -> None:
    def orders(seed: int) -> set[tuple[str, ...]]:
        return {block_roles(Shares(), seed=seed, stratum="s", block=block) for block in range(50)}

    assert len(orders(1)) > 10  # of 30 possible orders
    assert block_roles(Shares(), seed=1, stratum="s", block=0) != block_roles(Shares(), seed=5, stratum="s", block=0)


@given(seed=st.integers(0, 10**6))
def test_every_slot_takes_every_role_in_the_long_run(seed: int) -> None:
    # Each slot is cut with probability 0.4; of 400 draws fewer than 100 or more than 220 would be 6 sigma off.
    first = Counter(block_roles(Shares(), seed=seed, stratum="s", block=block)[0] for block in range(400))
    assert 100 < first["cut"] < 220


observations = st.lists(
    st.tuples(
        st.integers(0, 12),
        st.integers(0, 6),
        st.sampled_from(["gate view", "gate view", "voucher", "slate"]),
    ),
    min_size=1,
    max_size=60,
)


@given(
    rows=observations, unit=st.sampled_from(["trip", "individual"]), seed=st.integers(0, 1000), cut=st.integers(0, 60)
)
def test_no_individual_has_two_roles_however_batches_are_cut(
    rows: list[tuple[int, int, str]], unit: str, seed: int, cut: int
) -> None:
    settings = StoreSettings(unit=unit, seed=seed, limited=("Channa argus",))  # type: ignore[arg-type]
    all_seen = [
        seen(n, f"fish-{fish}", f"trip-{trip}", ("Amia calva", "Channa argus")[fish % 2], purpose)
        for n, (fish, trip, purpose) in enumerate(rows)
    ]
    roles: dict[str, set[str]] = defaultdict(set)
    units: dict[str, str] = {}
    drawn: Counter[str] = Counter()
    individuals: dict[str, str] = {}
    for part in (all_seen[:cut], all_seen[cut:]):
        state = RoleState(dict(units), dict(individuals), {}, dict(drawn))  # type: ignore[arg-type]
        found = draw_roles(part, settings, state)
        assert not {draw.unit for draw in found.draws} & set(units)
        units |= {draw.unit: draw.role for draw in found.draws}
        drawn.update(draw.stratum for draw in found.draws)
        assert found.drawn == drawn
        assert found.units == units
        for one in part:
            if one.image_sha256 in found.excluded:
                continue
            role = units[one.trip if unit == "trip" else one.individual]
            roles[one.individual].add(role)
            individuals.setdefault(one.individual, role)
            assert role == "train" or one.purpose == "gate view"
            assert one.purpose != "slate"
    assert all(len(found) == 1 for found in roles.values())


def test_strata_of_trips_are_blocks_of_their_own() -> None:
    settings = StoreSettings(limited=("Channa argus",))
    rows = [seen(i, f"f{i}", f"t{i}", ("Amia calva", "Channa argus")[i % 2]) for i in range(20)]
    draws = draw_roles(rows, settings).draws
    for stratum in (LIMITED, OTHER):
        counts = Counter(draw.role for draw in draws if draw.stratum == stratum)
        assert counts == {"train": 4, "cut": 4, "test": 2}


def test_individuals_are_drawn_within_their_class() -> None:
    settings = StoreSettings(unit="individual")
    rows = [seen(i, f"f{i}", "t", ("Amia calva", "Channa argus")[i % 2]) for i in range(30)]
    draws = draw_roles(rows, settings).draws
    assert Counter((draw.stratum, draw.role) for draw in draws) == {
        (name, role): n
        for name in ("Amia calva", "Channa argus")
        for role, n in (("train", 6), ("cut", 6), ("test", 3))
    }


def test_a_known_trip_keeps_its_role_and_takes_no_slot() -> None:
    state = RoleState(units={"t1": "test"}, drawn={OTHER: 1})
    found = draw_roles([seen(1, "a", "t1"), seen(2, "b", "t2")], StoreSettings(), state)
    assert [(draw.unit, draw.slot) for draw in found.draws] == [("t2", 1)]


@pytest.mark.parametrize(
    ("shares", "message"),
    [((0.4, 0.4, 0.4), "sum to 1.2"), ((0.0, 0.8, 0.2), "above 0"), ((0.335, 0.335, 0.33), "whole hundredths")],
)
def test_shares_that_cannot_be_drawn_are_refused(shares: tuple[float, float, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Shares(train=shares[0], cut=shares[1], test=shares[2])
