"""Findings and columns: confirm, accept a proposal, let stand, swap in place; each undone, none lost."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import open_version
from passage_cv.web.columns import as_received
from passage_cv.web.people import Role
from passage_cv.web.tables import Batch, Decision, Found
from tests.batches import ROWS, write_batch
from tests.web.conftest import Browser, Office
from tests.web.test_batches import checked, state

INCHES = [
    {"Photo": row["image"], "Fish no.": row["individual"], "Sp": row["code"], "TL (in)": length, "Gear note": "x"}
    for row, length in zip(ROWS, ("18.9", "18.9", "20"), strict=True)
]


@pytest.fixture
def technician(office: Office) -> Browser:
    return office.role(Role.TECHNICIAN)


def own_headings(folder: Path) -> Path:
    """A batch whose sheet has the crew's own headings."""
    write_batch(folder)
    lines = [",".join(INCHES[0]), *(",".join(row.values()) for row in INCHES)]
    (folder / "sheet.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def form_of(page: str) -> dict[str, str]:
    """What the page of columns would send as it stands."""
    chosen = re.findall(r'<select name="([\w-]+)".*?</select>', page, re.DOTALL)
    selects = dict(re.findall(r'(?s)<select name="([\w-]+)"[^>]*>((?:(?!</select>).)*)', page))
    values = {name: re.search(r"<option(?: value=\"([^\"]*)\")? selected>([^<]*)", selects[name]) for name in chosen}
    return {name: (found[1] if found[1] is not None else found[2]) for name, found in values.items() if found}


def recheck(office: Office, technician: Browser, batch: str) -> None:
    assert technician.post(f"/batches/{batch}/check").status_code == 303
    office.work()


def test_proposed_columns_are_confirmed_once_and_remembered(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    store = Store.create(office.settings.store_root, StoreSettings())
    batch = checked(office, technician, own_headings(tmp_path / "one"))
    for page in (technician.get(f"/batches/{batch}{part}").text for part in ("", "/findings")):
        assert "headings of this sheet are new" in page
        assert f'<a class="button main" href="/batches/{batch}/columns">' in page
        assert page.count("button main") == 1
    page = technician.get(f"/batches/{batch}/columns").text
    form = form_of(page)
    assert [form[f"column-{n}"] for n in range(4)] == ["image", "individual", "code", "length_mm"]
    assert (form["unit-3"], form["length_type-3"]) == ("in", "TL")
    assert technician.post(f"/batches/{batch}/columns", **form).status_code == 303
    office.work()
    assert "Nothing to resolve" in technician.get(f"/batches/{batch}").text
    second = checked(office, technician, own_headings(tmp_path / "two"))
    assert "Nothing to resolve" in technician.get(f"/batches/{second}").text
    technician.post(f"/batches/{second}/accept")
    office.work()
    assert open_version(store).table()["length_mm"].to_pylist() == pytest.approx([480.06, 480.06, 508.0])


def test_a_correction_speaks_the_unit_of_the_crews_heading(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    store = Store.create(office.settings.store_root, StoreSettings())
    batch = checked(office, technician, own_headings(tmp_path / "one"))
    technician.post(f"/batches/{batch}/columns", **form_of(technician.get(f"/batches/{batch}/columns").text))
    office.work()
    technician.post(f"/batches/{batch}/decisions", kind="correct", row="4", column="length_mm", value="533.4")
    with office.server.sessions() as db:
        made = db.query(Decision).one()
    assert (made.column, made.was, made.value) == ("TL (in)", "20", "21")
    recheck(office, technician, batch)
    technician.post(f"/batches/{batch}/accept")
    office.work()
    assert open_version(store).table()["length_mm"].to_pylist()[2] == pytest.approx(533.4)


@pytest.mark.parametrize(
    "change",
    [
        {"column-0": "individual"},
        {"column-0": "no such column"},
        {"unit-3": "parsec"},
        {"dates": "backwards"},
        {"offset": "-4"},
    ],
)
def test_columns_that_do_not_fit_are_refused(
    office: Office, technician: Browser, tmp_path: Path, change: dict[str, str]
) -> None:
    batch = checked(office, technician, own_headings(tmp_path / "one"))
    form = form_of(technician.get(f"/batches/{batch}/columns").text)
    assert technician.post(f"/batches/{batch}/columns", **{**form, **change}).status_code == 422
    assert state(office, batch) == "checked"
    assert not list((office.settings.data / "layouts").glob("*.toml"))


def test_an_inch_has_two_and_a_half_centimetres() -> None:
    layout = {"use": [{"heading": "T", "column": "waterTemperature_C", "unit": "F"}], "decimal": ","}
    assert as_received({"layout": layout}, "waterTemperature_C", "15.5") == ("T", "59,9")  # 15.5 C = 59.9 F, defined


def test_an_unlikely_value_is_let_stand_with_a_reason(office: Office, technician: Browser, tmp_path: Path) -> None:
    rows = [{**row, "weight_g": "9000"} for row in ROWS]  # no fish of half a metre weighs nine kilograms
    batch = checked(office, technician, write_batch(tmp_path / "trip", rows))
    with office.server.sessions() as db:
        heavy = [one for one in db.query(Found) if one.severity == "must resolve"]
    assert heavy
    for one in heavy:
        fields = {"kind": "stand", "column": one.kind, "row": one.values["row"] or 0}
        assert technician.post(f"/batches/{batch}/decisions", **fields, value="").status_code == 422
        answer = technician.post(f"/batches/{batch}/decisions", **fields, value="weighed twice, spent female")
        assert answer.status_code == 303
    recheck(office, technician, batch)
    assert "Nothing to resolve" in technician.get(f"/batches/{batch}").text
    assert "weighed twice" in technician.get(f"/batches/{batch}/findings").text
    with office.server.sessions() as db:
        first = db.query(Decision).first()
        assert first is not None
    technician.post(f"/batches/{batch}/decisions/{first.id}/undo")
    recheck(office, technician, batch)
    with office.server.sessions() as db:
        assert db.get_one(Batch, batch).summary["must resolve"] == 1


def test_what_means_nothing_cannot_be_let_stand(office: Office, technician: Browser, tmp_path: Path) -> None:
    rows = [{**ROWS[0], "length_mm": "long"}, *ROWS[1:]]
    batch = checked(office, technician, write_batch(tmp_path / "trip", rows))
    fields = {"kind": "stand", "column": "not a number", "row": 2, "value": "I say so"}
    assert technician.post(f"/batches/{batch}/decisions", **fields).status_code == 422
    assert state(office, batch) == "checked"


def propose(office: Office, batch: str, column: str, value: str) -> None:
    """Give the findings of a batch a change to accept."""
    with office.server.sessions.begin() as db:
        for one in db.query(Found).filter(Found.batch_id == batch, Found.kind == "not a number"):
            one.has_change = True
            one.values = {**one.values, "change": {"column": column, "value": value}}


def test_a_proposal_is_accepted_by_one_press_and_all_of_a_kind_by_another(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    rows = [{**row, "length_mm": "48O"} for row in ROWS]
    batch = checked(office, technician, write_batch(tmp_path / "trip", rows))
    propose(office, batch, "length_mm", "480")
    page = technician.get(f"/batches/{batch}/findings").text
    assert "Accept: length_mm becomes 480" in page
    assert "Accept all 3 proposals" in page
    fields = {"kind": "correct", "row": 2, "column": "length_mm", "value": "480", "why": "not a number"}
    technician.post(f"/batches/{batch}/decisions", **fields)
    assert technician.post(f"/batches/{batch}/proposals", kind="not a number").status_code == 303
    with office.server.sessions() as db:
        assert sorted(one.row for one in db.query(Decision)) == [2, 3, 4]
    assert technician.post(f"/batches/{batch}/proposals", kind="not a number").status_code == 422
    recheck(office, technician, batch)
    assert "Nothing to resolve" in technician.get(f"/batches/{batch}").text


def test_a_decision_swaps_its_finding_in_place_and_counts_what_is_left(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    rows = [{**row, "length_mm": "long"} for row in ROWS]
    batch = checked(office, technician, write_batch(tmp_path / "trip", rows))
    fields = {
        "mark": technician.mark,
        "kind": "correct",
        "row": 2,
        "column": "length_mm",
        "value": "480",
        "back": "1/#0",
    }
    answer = technician.client.post(f"/batches/{batch}/decisions", data=fields, headers={"hx-request": "true"})
    assert answer.status_code == 200
    assert answer.text.count('class="finding') == 1
    assert "data-decided" in answer.text
    assert "Findings that still need a decision: 2 of 3" in answer.text
    assert "<html" not in answer.text
    wrong = technician.client.post(
        f"/batches/{batch}/decisions", data={**fields, "row": 99}, headers={"hx-request": "true"}
    )
    assert (wrong.status_code, "<" in wrong.text) == (422, False)


def test_facts_are_said_anew_before_the_batch_is_kept(office: Office, technician: Browser, tmp_path: Path) -> None:
    batch = checked(office, technician, write_batch(tmp_path / "trip"))
    assert technician.post(f"/batches/{batch}/facts", light="moon").status_code == 422
    assert technician.post(f"/batches/{batch}/facts", light="night").status_code == 303
    assert state(office, batch) == "open"
    with office.server.sessions() as db:
        assert db.get_one(Batch, batch).facts == {"light": "night"}


def standing(office: Office) -> list[int]:
    """Rows of the decisions that stand."""
    with office.server.sessions() as db:
        return sorted(one.row for one in db.query(Decision) if not one.undone_at)


def test_what_was_accepted_at_once_is_taken_back_at_once_or_one_by_one(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    rows = [{**row, "length_mm": "48O"} for row in ROWS]
    batch = checked(office, technician, write_batch(tmp_path / "trip", rows))
    propose(office, batch, "length_mm", "480")
    technician.post(f"/batches/{batch}/proposals", kind="not a number")
    with office.server.sessions() as db:
        first = min(one.id for one in db.query(Decision))
    for page in ("", "/findings"):
        assert "Take back all 3" in technician.get(f"/batches/{batch}{page}").text
    assert "Accept all" not in technician.get(f"/batches/{batch}/findings").text
    answer = technician.post(f"/batches/{batch}/decisions/{first}/undo", back="batch")
    assert answer.headers["location"] == f"/batches/{batch}#decisions"
    assert standing(office) == [3, 4]
    assert "Take back all 2" in technician.get(f"/batches/{batch}").text
    assert "Accept the one proposal" in technician.get(f"/batches/{batch}/findings").text
    assert technician.post(f"/batches/{batch}/decisions/{first + 1}/undo", whole="true").status_code == 303
    assert standing(office) == []
    assert "Take back all" not in technician.get(f"/batches/{batch}/findings").text
    assert technician.post(f"/batches/{batch}/decisions/{first + 1}/undo", whole="true").status_code == 422


def test_one_press_that_corrected_several_cells_is_one_undo(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    batch = checked(office, technician, write_batch(tmp_path / "trip"))
    technician.post(f"/batches/{batch}/decisions", kind="count", row=2)
    assert len(standing(office)) > 1
    page = technician.get(f"/batches/{batch}").text
    assert page.count("/undo") == 1
    assert "Take back all" not in page
    with office.server.sessions() as db:
        newest = max(one.id for one in db.query(Decision))
    technician.post(f"/batches/{batch}/decisions/{newest}/undo")
    assert standing(office) == []


def test_a_cell_is_edited_in_the_column_that_a_person_chose(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    rows = [*ROWS, {**ROWS[2], "image": "", "individual": "3"}, {**ROWS[2], "image": "images/4.jpg", "code": "NSHG"}]
    batch = checked(office, technician, write_batch(tmp_path / "one", rows))
    page = technician.get(f"/batches/{batch}/findings").text
    of_kind = {part.partition('"')[0]: part for part in page.split('tabindex="-1" aria-label="')[1:]}
    chosen = '<select name="column" required><option value=""{}></option>'
    assert chosen.format(" selected") in of_kind["row without picture"]
    assert '<option value="code" selected>' in of_kind["unknown name"]
    unsaid = technician.post(f"/batches/{batch}/decisions", kind="correct", row="5", column="", value="411")
    assert unsaid.status_code == 422
