"""The papers of the invented river say what its pictures and sheets need."""

from __future__ import annotations

import tomllib
from pathlib import Path

from passage_cv.demo.registers import write_registers
from passage_cv.demo.sites import SETUPS
from passage_cv.demo.species import SPECIES
from passage_cv.intake.check import check_batch
from passage_cv.intake.permits import read_permits
from passage_cv.intake.setups import differences, other_cameras, read_setups


def test_every_set_up_is_described_and_a_new_firmware_is_a_new_one(tmp_path: Path) -> None:
    setups = {one.setup_id: one for one in read_setups(write_registers(tmp_path)[0])}
    assert setups.keys() == SETUPS.keys()
    said = [line for line in differences(setups["KBW-1"], setups["KBW-2"]) if not line.startswith("camera")]
    assert said == ["firmware 3.0.2 became 3.1.0"]


def test_cameras_of_the_pictures_are_those_on_file(campaign: list[Path]) -> None:
    described = {one.setup_id: one for one in read_setups(campaign[0].with_name("setups.toml"))}
    batch = check_batch(campaign[0])
    assert {line.text["setup_id"] for line in batch.rows} <= described.keys()
    assert list(other_cameras(batch, described)) == []
    wrong = {name: described["HOL-1" if name != "HOL-1" else "CAP-1"] for name in described}
    assert list(other_cameras(batch, wrong))  # the check above can fail


def test_every_trip_has_a_permit_for_its_water_protocol_and_fish(campaign: list[Path]) -> None:
    permits = {one.number: one for one in read_permits(campaign[0].with_name("permits.toml"))}
    for folder in campaign:
        facts = tomllib.loads((folder / "trip.toml").read_text())
        permit = permits[facts["permit"]]
        assert permit.protocol == facts["animalCareProtocol"]
        assert permit.waters == (facts["locationID"],)
        assert permit.start.isoformat() <= folder.name[:10] <= permit.until.isoformat()
        assert {one.name for one in permit.species} == {one.scientific_name for one in SPECIES.values()}
