"""Whatever a page says comes from the language's file or from the data: shown with a language that nobody speaks."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import pytest

from passage_cv.dataset.coverage import DIMENSIONS
from passage_cv.demo.faults import KINDS, plant_faults
from passage_cv.gate.codes import REASON_CODES
from passage_cv.intake.check import check_batch
from passage_cv.intake.columns import CANONICAL, OTHER_PURPOSES, WORDS
from passage_cv.intake.names import shipped_names
from passage_cv.records import ROLES
from passage_cv.service.drift import MEANS
from passage_cv.web import texts
from passage_cv.web.columns import all_units
from passage_cv.web.people import Role
from passage_cv.web.said import GAP, Said
from passage_cv.web.set_ups import shipped
from passage_cv.web.tables import Batch, Job, Made, Release, Service, SheetLine, User
from passage_cv.web.texts import SAID, read_catalogue
from tests.batches import FACTS, ROWS, write_batch
from tests.demo.test_faults import sheet
from tests.web.conftest import Browser, Office
from tests.web.furnished import furnish, page_routes, raise_alarm
from tests.web.strange import LANGUAGE, Page, all_sentences, plain_words, strange, write_strange
from tests.web.test_batches import checked

__all__ = ["sheet"]
ASKED = {"accept-language": f"{LANGUAGE}, en;q=0.3"}
OWN = {"passage_cv", "TL", "FL", "SL", "UTC", "kB", "MB", "NTU", "Debian", "cc", "deb12u1"}
"""The program's own name, signs that are the same in every language, and how the compiler of a check is called."""
TYPED = {"ask the crew", "Elq"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = tmp_path_factory.mktemp("texts")
    write_strange(found)
    return found


@pytest.fixture(autouse=True)
def _speak(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(texts, "FOLDER", folder)


@pytest.fixture
def say(folder: Path) -> Said:
    return texts.read_texts(LANGUAGE).said


def data_of(office: Office) -> set[str]:
    """What people typed, what stands in their sheets, and the names of things that they made."""
    found = OWN | TYPED | names()
    with office.server.sessions() as db:
        found |= {text for user in db.query(User) for text in (user.name, user.initials)}
        found |= {one.name for one in db.query(Batch)}
        found |= {heading for one in db.query(Batch) for heading in one.sheet.get("headings", [])}
        found |= {str(value) for one in db.query(Batch) for value in one.facts.values()}
        found |= {str(value) for line in db.query(SheetLine) for value in line.cells.values()}
        found |= {one.reason for one in db.query(Release)} | {one.reason for one in db.query(Service)}
        found |= {piece for one in db.query(Made) for piece in re.split("[ /,]+", one.title)}
    return found


def names() -> set[str]:
    """Columns, units, species and training set-ups: what things are called in files."""
    species = {name for one in shipped_names().species for name in (one.scientific_name, one.common_name, one.code)}
    return species | set(CANONICAL) | set(all_units()) | set(shipped())


def plain_on(who: Browser, addresses: Iterable[str], data: set[str]) -> str:
    """Every plain text on some pages, a line each."""
    found = []
    for address in addresses:
        answer = who.get(address, headers=ASKED)
        assert answer.status_code == 200, address
        assert Page(answer.text).language == LANGUAGE
        assert 'class="help"' in answer.text, address
        found += [f"{address}: {one}" for one in plain_words(answer.text, data)]
    return "\n".join(found)


def test_a_plain_word_on_a_page_is_seen() -> None:
    wide = strange("Files of {n} fish", numbered=False)
    page = f'<h1>{wide}</h1><p title="hold me">2031-05-11 RKV</p><p>1.jpg <b>left</b></p><script>let x</script>'
    assert plain_words(page, {"RKV"}) == ["'hold me': hold me", "'left': left"]


def test_every_sentence_of_the_source_is_said_in_the_language(say: Said) -> None:
    """With numbers in its gaps each sentence comes out without a plain letter, whichever pattern fits it best."""
    plain = []
    for sentence in all_sentences():
        said = say(GAP.sub(lambda gap: str(70 + int(gap[1])), sentence))
        if re.search("[A-Za-z]", said):
            plain.append(f"{sentence}: {said}")
    assert plain == []


def test_numbers_in_gaps_stay_and_follow_the_language() -> None:
    say = Said({"Row {1} has {2}": "{2} in Zeile {1}", "{1} cells": "{1} Zellen", "fish.csv": "nie"})
    assert say("Row 12 has 3 cells") == "3 Zellen in Zeile 12"


def test_pages_before_there_is_anything(office: Office) -> None:
    everybody = office.role(*Role)
    addresses = [route for route in page_routes() if "{" not in route and route != "/"]
    assert plain_on(everybody, addresses, data_of(office)) == ""


def test_findings_and_the_batch_they_are_of(office: Office, tmp_path: Path) -> None:
    technician = office.role(Role.TECHNICIAN)
    long = {**ROWS[2], "image": "images/4.jpg", "length_mm": "long"}
    batch = checked(
        office, technician, write_batch(tmp_path / "faulty", [{**ROWS[0], "code": "NSX"}, *ROWS[1:], long])
    )
    technician.post(f"/batches/{batch}/decisions", kind="note", row="2", value="ask the crew")
    places = (f"/batches/{batch}", f"/batches/{batch}/findings", f"/batches/{batch}/columns", "/jobs")
    assert plain_on(technician, places, data_of(office)) == ""


def test_work_that_was_refused(office: Office, tmp_path: Path) -> None:
    """The batch is kept while there is no data set; the refusal stands on the batch, in the work, and in its log."""
    technician = office.role(Role.TECHNICIAN)
    batch = checked(office, technician, write_batch(tmp_path / "whole"))
    assert technician.post(f"/batches/{batch}/accept").status_code == 303
    office.work()
    with office.server.sessions() as db:
        job = db.query(Job).filter(Job.kind == "accept").one()
    assert job.state == "failed"
    places = (f"/batches/{batch}", "/jobs", f"/jobs/{job.id}")
    assert plain_on(technician, places, data_of(office)) == ""
    state = (
        technician.get(f"/jobs/{job.id}/state", headers=ASKED).text
        + technician.get(f"/jobs/{job.id}/log", headers=ASKED).text
    )
    assert plain_words(state, data_of(office)) == []


def test_every_fault_that_the_demo_can_plant(sheet: bytes, say: Said, tmp_path: Path) -> None:
    rows = list(csv.DictReader(sheet.decode().splitlines()))
    batch = write_batch(tmp_path / "batch", rows, FACTS)
    (batch / "sheet.csv").write_bytes(sheet)
    plant_faults(batch, list(KINDS), seed=8)
    found = check_batch(batch).findings
    assert len({one.kind for one in found}) > 8  # the sheet is bad enough to say something about
    cells = {cell for line in (batch / "sheet.csv").read_text().splitlines() for cell in line.split(",")}
    cells |= names() | OWN | set(FACTS.values())
    said = {text for one in found for text in map(say, filter(None, (one.kind, one.message, one.proposal)))}
    assert plain_words("".join(f"<p>{one}</p>" for one in sorted(said)), cells) == []


@dataclass(frozen=True)
class Refused:
    """A way to be refused: what is sent, and the status that comes back."""

    method: str
    path: str
    status: int
    fields: dict[str, str]


REFUSED = {
    "no such page": Refused("GET", "/no-such-page", 404, {}),
    "no such batch": Refused("GET", "/batches/000000000000", 404, {}),
    "a person without a role": Refused("POST", "/people", 422, {"name": "Elq"}),
    "a policy without a name": Refused("POST", "/policies", 422, {"name": "", "text": ""}),
    "a model without a policy": Refused("POST", "/models", 422, {"config": "quick", "policy": "none"}),
    "shares that are no shares": Refused("POST", "/data", 422, {"train": "x", "cut": "0.4", "test": "0.2"}),
    "a number that is none": Refused("GET", "/batches?page=x", 422, {}),
    "a short password": Refused("POST", "/join/{invitation}", 422, {"password": "short"}),
}


@pytest.mark.parametrize("in_part", [False, True], ids=["page", "part of a page"])
def test_refusals(office: Office, in_part: bool) -> None:
    everybody = office.role(*Role)
    invitation = everybody.post("/people", name="Elq", role="technician").text.split("/join/")[1].split("<")[0]
    headers = ASKED | ({"hx-request": "true"} if in_part else {})
    data = data_of(office) | {"none"}
    for name, asked in REFUSED.items():
        fields = {"mark": everybody.mark, **asked.fields} if asked.method == "POST" else None
        path = asked.path.replace("{invitation}", invitation)
        answer = everybody.client.request(asked.method, path, data=fields, headers=headers)
        assert answer.status_code == asked.status, name
        assert plain_words(f"<p>{answer.text}</p>" if in_part else answer.text, data) == [], name


def test_words_of_the_data_that_people_read_have_a_text(folder: Path) -> None:
    """Single words stand in no sentence of the source: they must be in the catalogue."""
    words = {
        *DIMENSIONS,
        *REASON_CODES,
        *OTHER_PURPOSES,
        *(word for some in WORDS.values() for word in some if len(word) > 2),
        *ROLES,
        *MEANS,
        *Role,
    } - {""}
    known = read_catalogue(folder / f"{LANGUAGE}.toml")
    assert {word for word in words if f"{SAID}.{word}" not in known} == set()


@pytest.mark.slow
def test_the_furnished_house(make_office: Callable[..., Office], tmp_path: Path) -> None:
    office = make_office()
    addresses = furnish(office, tmp_path / "place")
    every = [address for route in page_routes() if route != "/" for address in addresses[route]]
    everybody, data = office.role(*Role), data_of(office)
    assert plain_on(everybody, every, data) == ""
    alarming = addresses["/service/status/{made_id}"][0]
    raise_alarm(office, alarming.rpartition("/")[2])
    assert plain_on(everybody, ("/service", alarming), data) == ""
