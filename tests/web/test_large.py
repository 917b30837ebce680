"""What keeps pages short in a large house: pages are measured, facts of versions kept, findings counted."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from passage_cv.dataset.readings import next_blind
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import open_version
from passage_cv.web import remembered, second_reader
from passage_cv.web.decisions import count_waiting
from passage_cv.web.people import Role
from passage_cv.web.routes import ROUTES
from passage_cv.web.tables import Batch, Found, FoundImage
from tests.batches import FACTS, ROWS, jpeg, trip_rows, write_batch
from tests.web.conftest import Browser, Office, zip_of
from tests.web.large import LEFT_OUT, PAGES


def bring(office: Office, technician: Browser, folder: Path, *steps: str) -> str:
    batch = technician.begin(folder.name)
    technician.send_folder(batch, folder)
    for step in steps:
        assert technician.post(f"/batches/{batch}/{step}").status_code == 303
        office.work()
    return batch


def summary(office: Office, batch: str) -> dict[str, int]:
    with office.server.sessions() as db:
        return dict(db.get_one(Batch, batch).summary)


def test_every_page_is_measured_or_left_out_with_a_reason() -> None:
    pages = {route.path for route in ROUTES if route.method == "GET" and not route.path.startswith("/api/")}
    assert pages == PAGES.keys() | LEFT_OUT.keys()
    assert not PAGES.keys() & LEFT_OUT.keys()


def test_a_check_shows_what_the_data_set_knows_already(office: Office, tmp_path: Path) -> None:
    Store.create(office.settings.store_root, StoreSettings())
    technician = office.role(Role.TECHNICIAN)
    first = write_batch(tmp_path / "T1", trip_rows("T1", 2))
    bring(office, technician, first, "check", "accept")
    again = write_batch(tmp_path / "T2", trip_rows("T2", 2))
    (again / "images" / "0-0.jpg").write_bytes((first / "images" / "0-0.jpg").read_bytes())
    batch = bring(office, technician, again, "check")
    assert summary(office, batch)["must resolve"] == 1
    assert "already in the store, in batch T1" in technician.get(f"/batches/{batch}/findings").text
    technician.post(f"/batches/{batch}/decisions", kind="exclude", image="images/0-0.jpg", value="sent twice")
    technician.post(f"/batches/{batch}/check")
    office.work()
    assert summary(office, batch)["must resolve"] == 0


def write_coco(folder: Path) -> Path:
    """Two pictures of one fish each, with a COCO file and the facts on top."""
    (folder / "images").mkdir(parents=True)
    for i in (1, 2):
        (folder / "images" / f"{i}.jpg").write_bytes(jpeg(f"coco {i}"))
    (folder / "trip.toml").write_text("".join(f'{key} = "{value}"\n' for key, value in FACTS.items()))
    values = {
        "images": [{"id": i, "file_name": f"images/{i}.jpg", "width": 48, "height": 32} for i in (1, 2)],
        "annotations": [
            {"id": i, "image_id": i, "category_id": 1, "bbox": [4, 5, 20, 10], "attributes": {"individual": f"{i}"}}
            for i in (1, 2)
        ],
        "categories": [{"id": 1, "name": "Amia calva"}],
    }
    (folder / "annotations.json").write_text(json.dumps(values))
    return folder


def test_a_coco_file_with_pictures_is_a_batch(office: Office, tmp_path: Path) -> None:
    Store.create(office.settings.store_root, StoreSettings())
    technician = office.role(Role.TECHNICIAN)
    batch = bring(office, technician, write_coco(tmp_path / "boxes"), "check")
    found = summary(office, batch)
    assert (found["lines"], found["pictures"], found["individuals"], found["must resolve"]) == (2, 2, 2, 0)
    technician.post(f"/batches/{batch}/accept")
    office.work()
    assert len(open_version(Store.open(office.settings.store_root)).table()) == found["pictures"]


@pytest.mark.parametrize("zipped", [False, True], ids=["dropped", "zipped"])
def test_a_coco_file_may_lie_in_a_folder_of_its_own(office: Office, tmp_path: Path, zipped: bool) -> None:
    write_coco(tmp_path / "sent" / "boxes")
    files = {path.relative_to(tmp_path / "sent").as_posix(): path.read_bytes()
             for path in (tmp_path / "sent").rglob("*") if path.is_file()}  # fmt: skip
    technician = office.role(Role.TECHNICIAN)
    batch = technician.begin("boxes")
    for name, content in {"boxes.zip": zip_of(files)}.items() if zipped else files.items():
        technician.send(batch, name, content)
    technician.post(f"/batches/{batch}/check")
    office.work()
    found = summary(office, batch)
    assert (found["lines"], found["pictures"], found["must resolve"]) == (2, 2, 0)


def test_a_decision_about_a_picture_counts_for_its_findings(office: Office, tmp_path: Path) -> None:
    technician = office.role(Role.TECHNICIAN)
    rows = [{**row, "code": "NSX"} for row in ROWS]
    batch = bring(office, technician, write_batch(tmp_path / "trip", rows), "check")
    with office.server.sessions() as db:
        must = [one for one in db.query(Found).filter(Found.batch_id == batch) if one.severity == "must resolve"]
        images = {one.image for one in db.query(FoundImage).filter(FoundImage.batch_id == batch)}
    assert images == {row["image"] for row in ROWS}
    spoken = [one for one in must if ROWS[0]["image"] in one.values["images"]]
    technician.post(f"/batches/{batch}/decisions", kind="note", image=ROWS[0]["image"], value="odd")
    with office.server.sessions() as db:
        assert count_waiting(db, db.get_one(Batch, batch)) == (len(must), len(must))
        technician.post(f"/batches/{batch}/decisions", kind="exclude", image=ROWS[0]["image"], value="cut off")
    with office.server.sessions() as db:
        assert count_waiting(db, db.get_one(Batch, batch)) == (len(must), len(must) - len(spoken))


def test_what_is_remembered_is_that_of_its_version_alone(office: Office, tmp_path: Path) -> None:
    store = Store.create(office.settings.store_root, StoreSettings())
    technician = office.role(Role.TECHNICIAN)
    n_images = []
    for name in ("T1", "T2"):
        bring(office, technician, write_batch(tmp_path / name, trip_rows(name, 2)), "check", "accept")
        n_images.append(remembered.held(office.settings, open_version(store)).n_images)
    assert n_images == [2, 4]
    assert [one.number for one in remembered.versions(office.settings, store)] == [1, 2]
    kept = office.settings.data / "remembered" / open_version(store).name
    stems = {path.stem.partition("-")[0] for path in kept.iterdir()}
    assert stems == {"held", "cells", "versions", "since", "draws", "tallies", "leaks"}


def test_the_next_fish_is_the_one_of_the_data_set(office: Office, tmp_path: Path) -> None:
    store = Store.create(office.settings.store_root, StoreSettings())
    technician = office.role(Role.TECHNICIAN)
    bring(office, technician, write_batch(tmp_path / "T1", trip_rows("T1", 3)), "check", "accept")
    technician.post("/account/initials", initials="ELQ")
    for _ in range(4):
        fish = second_reader.next_fish(office.settings, store, "ELQ")
        assert fish == next_blind(store, "ELQ")
        if fish is not None:
            assert technician.post("/readings", token=fish.token, name="").status_code == 303
    assert fish is None
