"""What lies outside a permit is a finding, each kind of it once."""

from pathlib import Path

import pytest

from passage_cv.errors import InputError
from passage_cv.intake.check import check_batch
from passage_cv.intake.permits import Permit, PermittedSpecies, read_permits, too_many
from tests.batches import FACTS, write_batch

PERMIT = """format = 1
[[permits]]
number = "QMR-31-001"
protocol = "ACP-0300"
from = 2031-04-01
until = 2031-10-31
waters = ["QMR-*"]
gear = ["TRP", "FYK"]
max_temperature_C = 22.0
[[permits.species]]
name = "Channa argus"
allowed = 2
[[permits.species]]
name = "Amia calva"
"""
ROWS = [
    {"image": f"{i}.jpg", "individual": str(i), "code": code, "gear": "TRP"}
    for i, code in enumerate(("NSH", "NSH", "BOW", "BOW", "BOW"))
]


def findings(
    folder: Path, *, permit: str = PERMIT, facts: dict[str, str] | None = None, rows: list[dict[str, str]] = ROWS
) -> list[tuple[str, str]]:
    write_batch(folder, rows, {**FACTS, **(facts or {})})
    (folder / "permits.toml").write_text(permit)
    known = ("permit", "permits file")
    return [(f.kind, f.message) for f in check_batch(folder).findings if any(word in f.kind for word in known)]


def test_inside_the_permit_there_is_nothing_to_say(tmp_path: Path) -> None:
    assert findings(tmp_path / "b") == []


@pytest.mark.parametrize(
    ("facts", "kind", "says"),
    [
        (
            {"eventDate": "2031-11-02T20:00:00-05:00"},
            "outside the permit's dates",
            "from 2031-04-01 until 2031-10-31",
        ),
        ({"locationID": "LTB-HOL-02"}, "outside the permit's waters", "its waters are QMR-*"),
        ({"animalCareProtocol": "ACP-0999"}, "outside the permit's protocol", "its protocol is ACP-0300"),
        ({"waterTemperature_C": "23.5"}, "warmer than the permit allows", "Water of 23.5 degrees"),
    ],
)
def test_each_fact_outside_is_said_once(tmp_path: Path, facts: dict[str, str], kind: str, says: str) -> None:
    ((found, message),) = findings(tmp_path / "b", facts=facts)
    assert found == kind
    assert says in message


def test_gear_species_and_number(tmp_path: Path) -> None:
    rows = [*ROWS, {"image": "9.jpg", "individual": "9", "code": "NSH", "gear": "GIL"},
            {"image": "10.jpg", "individual": "10", "code": "WPE", "gear": "TRP"}]  # fmt: skip
    found = dict(findings(tmp_path / "b", rows=rows))
    assert found["outside the permit's gear"].startswith("gear GIL (row 7) lies outside permit QMR-31-001")
    assert found["outside the permit's species"] == (
        "Permit QMR-31-001 does not name Morone americana (1 handled, first in row 8)"
    )
    assert found["over the permitted number"] == (
        "Permit QMR-31-001 allows 2 Channa argus; 0 were handled before, 3 here: 1 too many"
    )
    assert len(found) == 3


def test_fish_that_were_only_counted_count(tmp_path: Path) -> None:
    rows = [*ROWS, {"image": "", "individual": "", "code": "NSH", "gear": "TRP", "individualCount": "40"}]
    found = dict(findings(tmp_path / "b", rows=rows))
    assert "42 here: 40 too many" in found["over the permitted number"]


def test_another_permit_than_the_file_has(tmp_path: Path) -> None:
    ((kind, message),) = findings(tmp_path / "b", facts={"permit": "QMR-31-002"})
    assert kind == "permit not on file"
    assert "Permit QMR-31-002 is not in permits.toml, which has QMR-31-001" in message


@pytest.mark.parametrize(
    ("was", "becomes", "says"),
    [
        ("until = 2031-10-31", "until = 2031-03-31", "runs from 2031-04-01 until 2031-03-31"),
        ('name = "Amia calva"', 'name = "Channa argus"', "names a species twice"),
        ("allowed = 2", "allowed = -2", "greater than or equal to 0"),
        ('protocol = "ACP-0300"', "", "protocol: Field required"),
    ],
)
def test_a_damaged_file_must_be_corrected(tmp_path: Path, was: str, becomes: str, says: str) -> None:
    ((kind, message),) = findings(tmp_path / "b", permit=PERMIT.replace(was, becomes))
    assert kind == "permits file"
    assert says in message
    with pytest.raises(InputError):
        read_permits(tmp_path / "b/permits.toml")


def test_no_number_is_no_limit_and_no_list_is_any_species() -> None:
    values = {"number": "1", "protocol": "p", "from": "2031-01-01", "until": "2031-12-31"}
    anything = Permit.model_validate(values)
    assert list(too_many(anything, {"Amia calva": 10_000}, {})) == []
    limited = anything.model_copy(update={"species": (PermittedSpecies(name="Amia calva", allowed=5),)})
    assert limited.allowed_of("Channa argus") is None
    assert list(too_many(limited, {"Amia calva": 2}, {"Amia calva": 3})) == []
    (over,) = too_many(limited, {"Amia calva": 3}, {"Amia calva": 3})
    assert over.message == "Permit 1 allows 5 Amia calva; 3 were handled before, 3 here: 1 too many"
