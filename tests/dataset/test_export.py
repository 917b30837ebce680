"""Exports: whole, readable by others, and without what must not leave."""

import csv
import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.amendments import amend
from passage_cv.dataset.card import CONTEXT, About
from passage_cv.dataset.export import export_version
from passage_cv.dataset.identified import identifications
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import Version, open_version
from passage_cv.errors import InputError
from passage_cv.files import sha256_bytes, sha256_file
from passage_cv.intake.check import check_batch
from tests.batches import FACTS, trip_rows, write_batch
from tests.intake.test_coco import coco, write_coco


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


def test_boxes_that_came_leave_as_they_came(tmp_path: Path) -> None:
    """By the field definitions of COCO: x, y, width, height from the top left; area here that of the box."""
    store = Store.create(tmp_path / "store", StoreSettings())
    accept_batch(check_batch(write_coco(tmp_path / "sheet", coco())), store, author="TBO")
    beside = write_batch(tmp_path / "beside", facts={**FACTS, "eventID": "E2"}, key="another")
    drawn = coco(annotations=[{"image_id": 1, "category_id": 1, "bbox": [1.5, 2, 30, 9]}])
    (beside / "boxes.json").write_text(json.dumps(drawn))
    accept_batch(check_batch(beside), store, author="TBO")
    out = export_version(open_version(store), tmp_path / "out", "coco")
    notes = json.loads((out / "coco.json").read_text())["annotations"]
    boxes = [note["bbox"] for note in notes]
    assert boxes == [[4, 5, 20, 10], [4, 5, 20, 10], [1.5, 2, 30, 9], [0, 0, 48, 32], [0, 0, 48, 32]]
    assert notes[2]["area"] == 30 * 9


def test_fish_that_were_only_counted_leave_as_seen_by_people(tmp_path: Path) -> None:
    rows = [*trip_rows("T1", 2), {"code": "WPE", "individualCount": "120", "eventID": "T1-1"}]
    store = Store.create(tmp_path / "store", StoreSettings())
    receipt = accept_batch(
        check_batch(write_batch(tmp_path / "b", rows, {**FACTS, "trip": "T1"})), store, author="TBO"
    )
    out = export_version(open_version(store), tmp_path / "out", "darwin-core")
    with (out / "occurrence.csv").open(newline="") as stream:
        found = list(csv.DictReader(stream))
    assert [(row["basisOfRecord"], row["individualCount"]) for row in found] == [
        ("MachineObservation", "1"),
        ("MachineObservation", "1"),
        ("HumanObservation", "120"),
    ]
    assert found[2] | {"eventDate": ""} == {
        **dict.fromkeys(found[2], ""),
        "occurrenceID": f"{receipt.batch}:counted:Morone americana",
        "parentEventID": "T1",
        "eventID": FACTS["eventID"],
        "locationID": FACTS["locationID"],
        "scientificName": "Morone americana",
        "basisOfRecord": "HumanObservation",
        "individualCount": "120",
        "occurrenceStatus": "present",
    }


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


REQUIRED = (
    "@context", "@type", "conformsTo", "name", "description", "license", "url", "creator", "datePublished",
    "distribution",
)  # fmt: skip
"""Required terms of a data set (published: Croissant 1.0 specification, as the handbook's section 8 lists them)."""


@pytest.mark.parametrize(
    ("form", "tables"),
    [
        ("folders", {"labels.csv"}),
        ("coco", {"coco.json"}),
        ("darwin-core", {"occurrence.csv", "measurementOrFact.csv"}),
    ],
)
def test_the_card_says_all_that_is_required(tmp_path: Path, version: Version, form: str, tables: set[str]) -> None:
    about = About(creator="Quillmarsh Fish Passage", license="CC-BY-4.0", url="https://example.org/quillmarsh")
    out = export_version(version, tmp_path / "out", form, about=about)  # type: ignore[arg-type]
    card = json.loads((out / "croissant.json").read_text())
    assert all(card[key] for key in REQUIRED)
    assert card["version"] == "1.0.0"  # Croissant 1.0 recommends MAJOR.MINOR.PATCH; the store has one version
    listed = {part["name"]: part["sha256"] for part in card["distribution"] if part["@type"] == "cr:FileObject"}
    assert listed == {name: sha256_file(out / name) for name in tables}
    (pictured,) = [part for part in card["distribution"] if part["@type"] == "cr:FileSet"]
    matched = {path for pattern in pictured["includes"] for path in out.glob(pattern)}
    assert {path.stem for path in matched} == used(version)


PUBLISHED_CONTEXT = {
    "@language", "@vocab", "citeAs", "column", "conformsTo", "cr", "rai", "data", "dataType", "dct",
    "equivalentProperty", "examples", "extract", "field", "fileProperty", "fileObject", "fileSet", "format",
    "includes", "isLiveDataset", "jsonPath", "key", "md5", "parentField", "path", "recordSet", "references", "regex",
    "repeated", "replace", "samplingRate", "sc", "separator", "source", "subField", "transform",
}  # fmt: skip
"""Keys of the context of Croissant 1.0 (published: ``make_context`` of the package mlcroissant 1.1.1)."""


def test_the_card_has_the_published_context() -> None:
    assert set(CONTEXT) == PUBLISHED_CONTEXT


def test_the_card_describes_every_column(tmp_path: Path, version: Version) -> None:
    about = About(creator="Quillmarsh Fish Passage", license="CC-BY-4.0", url="https://example.org/quillmarsh")
    out = export_version(version, tmp_path / "out", "darwin-core", about=about)
    card = json.loads((out / "croissant.json").read_text())
    for record_set in card["recordSet"]:
        for field in record_set["field"]:
            source = field["source"]
            with (out / source["fileObject"]["@id"]).open(newline="") as stream:
                assert source["extract"]["column"] in next(csv.reader(stream))
    ours = {
        key for part in (card, *card["recordSet"], *card["distribution"]) for key in part if not key.startswith("@")
    }
    schema_org = {"name", "description", "license", "url", "creator", "datePublished", "version", "distribution",
                  "contentUrl", "contentSize", "encodingFormat", "sha256"}  # fmt: skip
    assert ours <= schema_org | set(CONTEXT)  # no term without a meaning


def test_no_cell_runs_in_a_spreadsheet(tmp_path: Path) -> None:
    rows = [{**row, "recordedBy": "=HYPERLINK(1)", "individual": f"-{i}"} for i, row in enumerate(trip_rows("T1", 2))]
    store = Store.create(tmp_path / "store", StoreSettings())
    folder = write_batch(tmp_path / "b", rows, {**FACTS, "trip": "T1", "waterTemperature_C": "-0.5"})
    accept_batch(check_batch(folder), store, author="TBO")
    out = export_version(open_version(store), tmp_path / "out", "darwin-core")
    for path in out.glob("*.csv"):
        with path.open(newline="") as stream:
            cells = [cell for row in csv.reader(stream) for cell in row]
        assert [cell for cell in cells if cell.startswith(("=", "+", "@", "-"))] == ["-0.5"] * cells.count("-0.5")
    with (out / "occurrence.csv").open(newline="") as stream:
        assert {row["recordedBy"] for row in csv.DictReader(stream)} == {"'=HYPERLINK(1)"}


@pytest.mark.parametrize("form", ["folders", "coco", "darwin-core"])
def test_pictures_of_people_never_leave(tmp_path: Path, version: Version, form: str) -> None:
    people = [row["image_sha256"] for row in version.table().to_pylist() if row["purpose"] == "people"]
    assert len(people) == 1
    out = export_version(version, tmp_path / "out", form)  # type: ignore[arg-type]
    assert not [path for path in out.rglob("*") if path.is_file() and people[0] in path.name]
    assert not [path for path in out.glob("*.*") if people[0].encode() in path.read_bytes()]


@pytest.mark.parametrize("form", ["folders", "coco", "darwin-core"])
def test_an_older_version_leaves_without_what_was_withdrawn_since(
    tmp_path: Path, version: Version, form: str
) -> None:
    first = version.table()["image_sha256"][0].as_py()
    amend(version.store, "withdraw", images=[first], author="ELQ", why="consent taken back")
    out = export_version(version, tmp_path / "out", form)  # type: ignore[arg-type]
    assert pictures(out) == used(version) - {first}
    assert not [path for path in out.rglob("*.*") if path.suffix in {".csv", ".json"} and first in path.read_text()]


def test_withdrawn_and_excluded_pictures_stay_here(tmp_path: Path, version: Version) -> None:
    first = sorted(used(version))[0]
    amended = amend(version.store, "withdraw", images=[first], author="ELQ", why="consent taken back")
    out = export_version(amended, tmp_path / "out", "folders")
    assert pictures(out) == used(version) - {first}


def test_an_export_makes_a_new_folder(tmp_path: Path, version: Version) -> None:
    export_version(version, tmp_path / "out", "folders")
    with pytest.raises(InputError, match="Folder is there already"):
        export_version(version, tmp_path / "out", "coco")


def relabelled(tmp_path: Path) -> Store:
    """Two fish that TBO named; the first was named anew by ELQ, then by HAN."""
    rows = [{**row, "identifiedBy": "TBO", "identificationMethod": "field"} for row in trip_rows("T1", 2, views=2)]
    store = Store.create(tmp_path / "store", StoreSettings())
    accept_batch(check_batch(write_batch(tmp_path / "b", rows, {**FACTS, "trip": "T1"})), store, author="TBO")
    for becomes, author, why, day in (("BOW", "ELQ", "no scales", 12), ("WPE", "HAN", "barcode", 13)):
        at = datetime(2031, 5, day, 12, tzinfo=UTC)
        method = "genetic" if author == "HAN" else ""
        amend(store, "relabel", individual="T1-1/0", becomes=becomes, author=author, why=why, method=method, at=at)
    return store


def test_darwin_core_names_who_stands_behind_a_changed_name(tmp_path: Path) -> None:
    store = relabelled(tmp_path)
    found = {}
    for number in ("1", "2", "3"):
        out = export_version(open_version(store, number), tmp_path / number, "darwin-core")
        with (out / "occurrence.csv").open(newline="") as stream:
            found[number] = {row["organismID"]: row for row in csv.DictReader(stream)}
    terms = ("scientificName", "identifiedBy", "dateIdentified", "identificationRemarks", "previousIdentifications")
    first = ("Channa argus", "TBO", "", "field", "")
    assert tuple(found["1"]["T1-1/0"][term] for term in terms) == first  # an older version says what it said
    assert tuple(found["2"]["T1-1/0"][term] for term in terms) == (
        "Amia calva", "ELQ", "2031-05-12T12:00:00+00:00", "no scales", "Channa argus (TBO)",
    )  # fmt: skip
    assert tuple(found["3"]["T1-1/0"][term] for term in terms) == (
        "Morone americana", "HAN", "2031-05-13T12:00:00+00:00", "genetic; barcode",
        "Channa argus (TBO) | Amia calva (ELQ)",
    )  # fmt: skip
    for number in found:
        assert tuple(found[number]["T1-1/1"][term] for term in terms) == ("Amia calva", "TBO", "", "field", "")


def test_every_form_and_its_card_carry_the_changed_name(tmp_path: Path) -> None:
    version = open_version(relabelled(tmp_path))
    about = About(creator="Quillmarsh", license="CC-BY-4.0", url="https://example.org/data")
    images = {row["image_sha256"] for row in version.table().to_pylist() if row["individual"] == "T1-1/0"}
    for form, table in (("folders", "labels.csv"), ("coco", "coco.json"), ("darwin-core", "occurrence.csv")):
        out = export_version(version, tmp_path / form, form, about=about)  # type: ignore[arg-type]
        text = (out / table).read_text(encoding="utf-8")
        assert "Morone americana" in text
        card = json.loads((out / "croissant.json").read_text(encoding="utf-8"))
        (listed,) = [one for one in card["distribution"] if one["@id"] == table]
        assert listed["sha256"] == sha256_file(out / table)
        if form == "folders":
            assert {path.stem for path in out.rglob("WPE/*.jpg")} == images
        else:
            assert "Channa argus" not in text.replace("Channa argus (TBO)", "")


def test_a_relabel_follows_its_fish_through_a_later_split_and_merge(tmp_path: Path) -> None:
    store = relabelled(tmp_path)
    rows = open_version(store).table().to_pylist()
    one = next(row["image_sha256"] for row in rows if row["individual"] == "T1-1/0")
    amend(store, "split", images=[one], becomes="T1-1/9", author="ELQ", why="two fish")
    amend(store, "relabel", individual="T1-1/0", becomes="NSH", author="ELQ", why="scales")
    by = {sha256: words[-1].by for sha256, words in identifications(open_version(store)).items()}
    assert by == {row["image_sha256"]: "HAN" if row["image_sha256"] == one else "ELQ" for row in rows[:2]}
