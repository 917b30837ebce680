"""COCO files as batches, and beside a crew's own sheet."""

import json
from pathlib import Path
from typing import Any

import pytest

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import open_version
from passage_cv.errors import InputError
from passage_cv.files import sha256_file
from passage_cv.intake.check import check_batch
from passage_cv.intake.coco import boxes_by_image, coco_lines, is_coco, read_coco
from tests.batches import FACTS, jpeg, write_batch

BOX = [4, 5, 20, 10]


def coco(**changes: object) -> dict[str, Any]:
    """Two pictures of 48 x 32 with a fish each, and an empty one."""
    return {
        "info": {"year": 2031},
        "images": [
            {
                "id": i,
                "file_name": f"images/{i}.jpg",
                "width": 48,
                "height": 32,
                "date_captured": "2031-05-11 20:15:00",
            }
            for i in (1, 2, 3)
        ],
        "annotations": [
            {"id": 7, "image_id": 1, "category_id": 1, "bbox": BOX, "iscrowd": 0, "attributes": {"individual": "1"}},
            {"id": 8, "image_id": 2, "category_id": 2, "bbox": BOX, "track_id": 2},
        ],
        "categories": [{"id": 1, "name": "northern snakehead"}, {"id": 2, "name": "Amia calva"}],
        **changes,
    }


def write_coco(folder: Path, values: dict[str, Any]) -> Path:
    (folder / "images").mkdir(parents=True, exist_ok=True)
    (folder / "annotations.json").write_text(json.dumps(values))
    (folder / "trip.toml").write_text("".join(f'{k} = "{v}"\n' for k, v in FACTS.items()))
    for i in (1, 2, 3):
        (folder / "images" / f"{i}.jpg").write_bytes(jpeg(f"{folder.name} {i}"))
    return folder


def kinds(folder: Path) -> list[str]:
    return sorted({one.kind for one in check_batch(folder, keep_working=False).findings if one.severity != "note"})


def test_a_coco_file_is_a_sheet(tmp_path: Path) -> None:
    batch = check_batch(write_coco(tmp_path / "b", coco()), keep_working=False)
    assert [(line.images, line.individual, line.purpose) for line in batch.rows] == [
        (("images/1.jpg",), "E1/1", "gate view"),
        (("images/2.jpg",), "E1/2", "gate view"),
        (("images/3.jpg",), "", "empty"),
    ]
    assert [line.species.code for line in batch.rows if line.species] == ["NSH", "BOW"]
    assert batch.rows[0].cells["box"] == "4 5 20 10"
    assert batch.rows[0].text["taken_at"] == "2031-05-11T20:15:00"
    assert batch.unresolved == ()


def test_without_individuals_somebody_has_to_say(tmp_path: Path) -> None:
    values = coco(annotations=[{"image_id": 1, "category_id": 1, "bbox": BOX}])
    assert "no individual" in kinds(write_coco(tmp_path / "b", values))


@pytest.mark.parametrize(
    ("boxes", "kind"),
    [
        ([BOX, [30, 20, 8, 5]], "two fish in view"),
        ([[0, 5, 20, 10]], "cut by the frame"),
        ([[20, 5, 28, 10]], "cut by the frame"),
        ([[40, 5, 20, 10]], "box outside the picture"),
    ],
)
def test_boxes_beside_a_sheet(tmp_path: Path, boxes: list[list[float]], kind: str) -> None:
    folder = write_batch(tmp_path / "b")
    sound = kinds(folder)
    annotations = [{"image_id": 1, "category_id": 1, "bbox": box} for box in boxes]
    (folder / "boxes.json").write_text(json.dumps(coco(annotations=annotations)))
    assert set(kinds(folder)) - set(sound) == {kind}


def test_another_species_than_the_sheet(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b")
    (folder / "boxes.json").write_text(json.dumps(coco(annotations=[{"image_id": 1, "category_id": 2, "bbox": BOX}])))
    assert "box and sheet differ" in kinds(folder)


def test_what_is_no_coco_file(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    for text in ("", "[]", "{}", "[" * 100_000, '{"images": []}'):
        path.write_text(text)
        assert not is_coco(path)
    path.write_text(json.dumps(coco(annotations=[{"image_id": 9, "category_id": 1, "bbox": BOX}])))
    with pytest.raises(InputError, match="names picture 9"):
        read_coco(path)
    path.write_text(json.dumps(coco(images=[{"id": 1}])))
    with pytest.raises(InputError, match="file_name"):
        read_coco(path)


def test_crowds_and_missing_boxes_are_no_boxes(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_text(
        json.dumps(
            coco(
                annotations=[
                    {"image_id": 1, "category_id": 1, "bbox": BOX, "iscrowd": 1},
                    {"image_id": 2, "category_id": 1},
                ]
            )
        )
    )
    assert boxes_by_image(read_coco(path)) == {}
    assert len(coco_lines(read_coco(path))) == 4


def test_boxes_beside_a_sheet_are_kept_with_the_batch(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b")
    (folder / "boxes.json").write_text(json.dumps(coco(annotations=[{"image_id": 1, "category_id": 1, "bbox": BOX}])))
    store = Store.create(tmp_path / "store", StoreSettings(unit="individual"))
    receipt = accept_batch(check_batch(folder), store, author="TBO")
    assert receipt.files["boxes.json"] == sha256_file(folder / "boxes.json")
    assert store.storage.read(f"batches/{receipt.batch}/boxes.json") == (folder / "boxes.json").read_bytes()


def test_a_coco_batch_is_accepted_with_its_boxes_in_the_rows(tmp_path: Path) -> None:
    store = Store.create(tmp_path / "store", StoreSettings(unit="individual"))
    accept_batch(check_batch(write_coco(tmp_path / "b", coco())), store, author="TBO")
    rows = open_version(store).table(["image", "role", "sheet"]).to_pylist()
    assert [json.loads(row["sheet"])["box"] for row in rows] == ["4 5 20 10", "4 5 20 10", ""]
    assert rows[2]["role"] == "excluded"  # the empty view
