"""Exports: whole, readable by others, and without what must not leave."""

import csv
import json
from pathlib import Path

import pytest

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.amendments import amend
from passage_cv.dataset.export import About, export_version
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import Version, open_version
from passage_cv.errors import InputError
from passage_cv.files import sha256_bytes, sha256_file
from passage_cv.intake.check import check_batch
from tests.batches import FACTS, trip_rows, write_batch


@pytest.fixture
def version(tmp_path: Path) -> Version:
    rows = [
        {**row, "length_mm": "480", "length_type": "TL", "weight_g": "1000"} for row in trip_rows("T1", 2, views=2)
    ]
    rows[2] |= {"length_mm": "", "weight_g": ""}
    rows[3] |= {"length_mm": "", "weight_g": ""}
    rows.append({"image": "crew.png", "purpose": "people", "eventID": "T1-1"})
    store = Store.create(tmp_path / "store", StoreSettings())
    folder = write_batch(tmp_path / "b", rows, {**FACTS, "trip": "T1", "turbidity_NTU": "12"})
    accept_batch(check_batch(folder), store, author="TBO")
    return open_version(store)


def pictures(folder: Path) -> set[str]:
    return {path.stem for path in folder.rglob("*") if path.suffix in {".jpg", ".png"}}


def used(version: Version) -> set[str]:
    return {row["image_sha256"] for row in version.table().to_pylist() if row["role"] != "excluded"}


@pytest.mark.parametrize("form", ["folders", "coco", "darwin-core"])
def test_every_used_picture_leaves_unchanged_and_no_other(tmp_path: Path, version: Version, form: str) -> None:
    out = export_version(version, tmp_path / "out", form)  # type: ignore[arg-type]
    assert pictures(out) == used(version)
    assert len(pictures(out)) == 4
    for path in out.rglob("*.jpg"):
        assert sha256_bytes(path.read_bytes()) == path.stem
    assert not list(tmp_path.glob(".part-*"))


def test_folders_per_role_and_class(tmp_path: Path, version: Version) -> None:
    out = export_version(version, tmp_path / "out", "folders")
    role = version.table()["role"][0].as_py()
    assert {path.name for path in (out / role).iterdir()} == {"NSH", "BOW"}
    with (out / "labels.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert all((out / row["image"]).is_file() for row in rows)


def test_coco_hangs_together(tmp_path: Path, version: Version) -> None:
    out = export_version(version, tmp_path / "out", "coco")
    coco = json.loads((out / "coco.json").read_text())
    images = {image["id"]: image for image in coco["images"]}
    names = {category["id"]: category["name"] for category in coco["categories"]}
    assert set(names.values()) == {"Amia calva", "Channa argus"}
    for note in coco["annotations"]:
        image = images[note["image_id"]]
        assert (out / image["file_name"]).is_file()
        assert note["bbox"] == [0, 0, image["width"], image["height"]]
        assert note["category_id"] in names


def test_darwin_core_counts_fish_not_pictures(tmp_path: Path, version: Version) -> None:
    out = export_version(version, tmp_path / "out", "darwin-core")
    data = (out / "occurrence.csv").read_bytes()
    assert data.count(b"\r\n") == 3
    with (out / "occurrence.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["organismID"] for row in rows] == ["T1-1/0", "T1-1/1"]
    assert all(len(row["associatedMedia"].split(" | ")) == 2 for row in rows)
    with (out / "measurementOrFact.csv").open(newline="") as stream:
        measured = [
            (row["occurrenceID"], row["measurementType"], row["measurementValue"]) for row in csv.DictReader(stream)
        ]
    assert sorted(measured) == [
        ("T1-1/0", "length", "480"),
        ("T1-1/0", "turbidity", "12"),
        ("T1-1/0", "weight", "1000"),
        ("T1-1/1", "turbidity", "12"),
    ]


def test_the_card_names_every_table_with_its_hash(tmp_path: Path, version: Version) -> None:
    about = About(creator="Quillmarsh Fish Passage", license="CC-BY-4.0", url="https://example.org/quillmarsh")
    out = export_version(version, tmp_path / "out", "darwin-core", about=about)
    card = json.loads((out / "croissant.json").read_text())
    needed = ("@context", "@type", "conformsTo", "name", "description", "license", "url", "creator", "datePublished")
    assert all(card[key] for key in needed)
    listed = {part["name"]: part["sha256"] for part in card["distribution"] if part["@type"] == "cr:FileObject"}
    assert listed == {path.name: sha256_file(path) for path in out.glob("*.csv")}


def test_withdrawn_and_excluded_pictures_stay_here(tmp_path: Path, version: Version) -> None:
    first = sorted(used(version))[0]
    amended = amend(version.store, "withdraw", images=[first], author="ELQ", why="consent taken back")
    out = export_version(amended, tmp_path / "out", "folders")
    assert pictures(out) == used(version) - {first}


def test_an_export_makes_a_new_folder(tmp_path: Path, version: Version) -> None:
    export_version(version, tmp_path / "out", "folders")
    with pytest.raises(InputError, match="Folder is there already"):
        export_version(version, tmp_path / "out", "coco")
