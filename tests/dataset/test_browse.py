"""The view by label: links to the store's own files, every class, nobody's face."""

from pathlib import Path

import pytest

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.amendments import amend
from passage_cv.dataset.browse import browse_version
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import Version, open_version
from passage_cv.errors import InputError
from passage_cv.files import sha256_bytes
from passage_cv.intake.check import check_batch
from tests.batches import FACTS, trip_rows, write_batch


@pytest.fixture
def version(tmp_path: Path) -> Version:
    rows = trip_rows("T1", 2, views=2)
    rows = [{**row, "trip": "<T1>"} for row in rows]
    rows.append({"image": "crew.png", "purpose": "people", "eventID": "T1-1", "trip": "<T1>"})
    store = Store.create(tmp_path / "store", StoreSettings())
    accept_batch(check_batch(write_batch(tmp_path / "b", rows, {**FACTS, "trip": "<T1>"})), store, author="TBO")
    return open_version(store)


def test_every_fish_by_its_label(tmp_path: Path, version: Version) -> None:
    assert browse_version(version, tmp_path / "out") == {"Amia calva": 2, "Channa argus": 2}
    links = sorted(path for path in (tmp_path / "out").rglob("*.jpg"))
    assert [path.relative_to(tmp_path / "out").as_posix() for path in links] == [
        "BOW/T1-1_1_0.jpg", "BOW/T1-1_1_1.jpg", "NSH/T1-1_0_0.jpg", "NSH/T1-1_0_1.jpg",
    ]  # fmt: skip
    labels = {row["image_sha256"]: row["code"] for row in version.table().to_pylist()}
    for path in links:
        assert path.is_symlink()
        assert labels[sha256_bytes(path.read_bytes())] == path.parent.name
    page = (tmp_path / "out/index.html").read_text()
    assert page.count("<img") == 4
    assert "trip &lt;T1&gt;" in page  # what a sheet says is never run


def test_one_class_and_none(tmp_path: Path, version: Version) -> None:
    assert browse_version(version, tmp_path / "one", only=["BOW"]) == {"Amia calva": 2}
    with pytest.raises(InputError, match="No picture has one of these names"):
        browse_version(version, tmp_path / "none", only=["EEL"])
    with pytest.raises(InputError, match="there already"):
        browse_version(version, tmp_path / "one")


def test_withdrawn_pictures_are_not_shown(tmp_path: Path, version: Version) -> None:
    amended = amend(version.store, "withdraw", individual="T1-1/0", author="ELQ", why="consent taken back")
    assert browse_version(amended, tmp_path / "out") == {"Amia calva": 2}
    assert browse_version(version, tmp_path / "old") == {"Amia calva": 2}  # the old version opens; the file is gone
