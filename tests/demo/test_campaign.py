"""The campaign is what handbook 9 says, its batches are clean, and nothing but the fish tells the species."""

import csv
import re
import tomllib
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from passage_cv.demo.campaign import TOO_TURBID_NTU, draw_catches, draw_trips, image_fish, write_campaign
from passage_cv.demo.species import CODES, EVENLY_SPREAD, SPECIES
from passage_cv.files import read_json
from passage_cv.intake.check import check_batch


def _lines(batch: Path) -> list[dict[str, str]]:
    with (batch / "sheet.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def _planned(seed: int) -> tuple[list, list]:
    rng = np.random.default_rng(seed)
    trips = draw_trips(rng)
    catches = draw_catches(len(trips), 1.0, rng)
    return trips, [image_fish(trip, catch, rng) for trip, catch in zip(trips, catches, strict=True)]


def test_there_are_24_trips_at_three_sites_in_two_years() -> None:
    trips, _ = _planned(1)
    assert len(trips) == 24
    assert Counter(trip.site.location_id for trip in trips) == {"QMR-KBW-01": 8, "LTB-HOL-02": 8, "SPR-CAP-01": 8}
    assert {trip.name[:4] for trip in trips} == {"2029", "2030"}
    assert len({trip.name for trip in trips}) == 24


def test_no_crew_images_at_the_top_of_a_flood_pulse_but_turbid_water_is_in_the_data() -> None:
    # handbook 6: above about 50 NTU only the outline is left; handbook 9: the week of 05-11 runs at 90 NTU
    for seed in range(20):
        trips = draw_trips(np.random.default_rng(seed))
        waters = [event.turbidity_ntu for trip in trips for event in trip.events]
        assert max(waters) <= TOO_TURBID_NTU
        assert min(waters) < 20
        assert max(waters) > 40


def test_fish_and_images_are_as_many_as_the_handbook_says() -> None:
    # handbook 9: "about 2,250 fish and 4,050 pictures at 1.8 views"
    _, batches = _planned(2)
    fish = [animal for batch in batches for animal in batch]
    assert len(fish) == sum(species.imaged for species in SPECIES.values()) == 2250
    assert sum(len(animal.images) for animal in fish) == pytest.approx(4050, rel=0.03)


def test_limited_species_are_spread_evenly_and_most_species_come_to_most_trips() -> None:
    _, batches = _planned(3)
    per_trip = [Counter(animal.fish.code for animal in batch) for batch in batches]
    for code in EVENLY_SPREAD:
        assert {count[code] for count in per_trip} == {13, 14}
    assert np.mean([len(count) for count in per_trip]) > 0.9 * len(CODES)


def test_place_in_the_batch_light_and_number_of_views_do_not_tell_the_species() -> None:
    _, batches = _planned(4)
    rows = [
        (animal.fish.code, place / len(batch), animal.event.light == "day", len(animal.images))
        for batch in batches
        for place, animal in enumerate(batch)
    ]
    codes = np.array([row[0] for row in rows])
    for column in (1, 2, 3):
        values = np.array([row[column] for row in rows], float)
        for code in CODES:
            own = values[codes == code]
            # four standard errors of a mean: 39 comparisons, chance of any beyond it about 0.25 %
            assert abs(own.mean() - values.mean()) < 4 * values.std() / np.sqrt(len(own)), (column, code)


def test_batches_hold_what_they_say(campaign: list[Path]) -> None:
    named = Counter(line["code"] for batch in campaign for line in _lines(batch))
    assert set(named) == set(CODES)
    for batch in campaign:
        images = [name for line in _lines(batch) for name in line["image"].split(";")]
        assert sorted(images) == sorted(str(path.relative_to(batch)) for path in batch.rglob("*.jpg"))
        assert all(re.fullmatch(r"images/\d{4}\.jpg", name) for name in images)
        facts = tomllib.loads((batch / "trip.toml").read_text(encoding="utf-8"))
        assert set(facts) == {"trip", "locationID", "purpose", "permit", "animalCareProtocol"}


def test_clean_batches_have_no_findings(campaign: list[Path]) -> None:
    for batch in campaign[:6]:
        assert check_batch(batch).findings == ()


def test_same_seed_same_bytes_but_for_the_faults_asked_for(tmp_path: Path, campaign: list[Path]) -> None:
    assert not list(campaign[0].parent.glob("*.json"))
    again = write_campaign(tmp_path, seed=5, size=0.006, faults=["unknown weight as 0"])
    assert [batch.name for batch in again] == [batch.name for batch in campaign]
    files = [path.relative_to(campaign[0].parent) for batch in campaign for path in batch.rglob("*.*")]
    differing = [path for path in files if (campaign[0].parent / path).read_bytes() != (tmp_path / path).read_bytes()]
    assert differing == [Path(campaign[0].name) / "sheet.csv"]
    (planted,) = read_json(tmp_path / "planted.json")
    assert planted["batch"] == campaign[0].name
    assert _lines(again[0])[planted["row"] - 2]["weight_g"] == "0"
