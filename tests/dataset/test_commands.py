"""The data set's commands as a person calls them: what they say, what they write, how they end."""

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from passage_cv.cli import labels, permits, setups, versions
from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import open_version
from passage_cv.errors import InputError, UsageError
from passage_cv.intake.check import check_batch
from tests.batches import FACTS, trip_rows, write_batch
from tests.intake.test_permits import PERMIT
from tests.intake.test_setups import SETUP, target_jpeg


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five trips of a bowfin and a snakehead, with set-up, permit and reference targets."""
    root = tmp_path_factory.mktemp("commands")
    store = Store.create(root / "store", StoreSettings())
    for i in range(5):
        common = {"setup_id": "KBW-2", "trip": f"T{i}", "eventID": f"T{i}-1"}
        rows = [{**row, **common, "light": "day", "gear": "TRP", "purpose": ""} for row in trip_rows(f"T{i}", 2)]
        rows += [{**common, "purpose": "reference target", "image": f"{when}.jpg"} for when in ("start", "end")]
        folder = write_batch(root / f"b{i}", rows, {**FACTS, "trip": f"T{i}", "turbidity_NTU": "12"})
        for n, when in enumerate(("start", "end")):
            (folder / f"{when}.jpg").write_bytes(target_jpeg() + bytes(2 * i + n))
        (folder / "setups.toml").write_text(SETUP)
        (folder / "permits.toml").write_text(PERMIT)
        accept_batch(check_batch(folder), store, author="TBO")
    return root / "store"


@pytest.fixture
def root(drawn: Path, tmp_path: Path) -> str:
    """A copy of that store for each test."""
    shutil.copytree(drawn, tmp_path / "store")
    return str(tmp_path / "store")


def call(module: object, *words: str, code: int = 0) -> Result:
    done = CliRunner().invoke(module.app, list(words))  # type: ignore[attr-defined]
    assert done.exit_code == code, done.output
    return done


def refused(module: object, *words: str) -> str:
    done = CliRunner().invoke(module.app, list(words))  # type: ignore[attr-defined]
    assert isinstance(done.exception, InputError | UsageError), done.output
    return str(done.exception)


def test_permits(root: str, tmp_path: Path) -> None:
    said = call(permits, "list", "--store", root, code=1).output  # five snakeheads of two allowed
    assert "QMR-31-001" in said
    assert "3 OVER" in said
    assert "any number" in said
    (first,) = [
        one
        for one in json.loads(call(permits, "list", "--store", root, "1", "--json").output)
        if one["species"] == "Channa argus"
    ]
    assert (first["handled"], first["allowed"], first["left"]) == (1, 2, 1)
    (tmp_path / "permits.toml").write_text(PERMIT.replace("allowed = 2", "allowed = 50"))
    added = call(
        permits, "add", str(tmp_path / "permits.toml"), "--store", root, "--author", "ELQ", "--why", "renewed"
    )
    assert "on file QMR-31-001: renewed" in added.output
    assert "45" in call(permits, "list", "--store", root).output


def test_setups(root: str, tmp_path: Path) -> None:
    said = call(setups, "list", "--store", root).output
    assert "23117" in said
    assert "flume of the false weir" in said
    said = call(setups, "targets", "KBW-2", "--store", root).output
    assert "mm per pixel" in said
    assert "0.33" in said  # by hand: 40 mm over 120 pixels
    (tmp_path / "setups.toml").write_text(SETUP.replace("3.1.0", "3.2.0"))
    add = ("add", str(tmp_path / "setups.toml"), "--store", root, "--author", "ELQ", "--why", "update")
    assert "firmware 3.1.0 became 3.2.0" in refused(setups, *add)
    (tmp_path / "setups.toml").write_text(SETUP)
    assert "on file already" in call(setups, *add).output


def test_labels(root: str, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet"
    assert "10 fish for RKV" in call(labels, "sheet", "--store", root, "--reader", "RKV", "-o", str(sheet)).output
    filled = sheet / "reading.csv"
    filled.write_text(filled.read_text().replace(",,,drawn", ",NSH,,drawn"))
    assert "10 readings by RKV kept" in call(labels, "record", str(filled), "--store", root, "--reader", "RKV").output
    said = call(labels, "agreement", "--store", root).output
    # By hand: five of ten agree, the reader calls everything a snakehead: agreement is that of chance, kappa 0.
    assert "5 of 10 individuals read as labelled, kappa 0.000" in said
    assert "Amia calva, read as Channa argus by RKV" in said
    decide = ("--store", root, "--author", "ELQ", "--why", "look-alikes")
    assert "images out" in call(labels, "confirm", *decide, "--species", "Amia calva").output
    assert "Nothing had to change" in call(labels, "confirm", *decide, "--species", "Amia calva").output
    assert "No class is named" in refused(labels, "confirm", *decide)
    roles = {row["role"] for row in open_version(Store.open(root)).table().to_pylist() if row["code"] == "BOW"}
    assert roles == {"train", "excluded"}


def test_roles_and_cover(root: str, tmp_path: Path) -> None:
    said = call(versions, "roles", "--store", root).output
    assert "LEAK" not in said
    assert "draws that" in said
    assert "2 (2)" in said  # two individuals of two trips
    found = json.loads(call(versions, "roles", "--store", root, "--json").output)
    assert {one["name"]: one["individuals"] for one in found["classes"]}["Amia calva"] == {
        "train": 2,
        "cut": 2,
        "test": 1,
    }
    picture = tmp_path / "cover.svg"
    said = call(versions, "cover", "--store", root, "--least", "6", "-o", str(picture)).output
    assert "under 20 NTU" in said
    assert picture.is_file()


def test_backup_browse_and_export(root: str, tmp_path: Path) -> None:
    assert "files copied" in call(versions, "backup", "--store", root, "--to", str(tmp_path / "copy")).output
    assert "0 files copied" in call(versions, "backup", "--store", root, "--to", str(tmp_path / "copy")).output
    assert "sound" in call(versions, "verify", "--store", str(tmp_path / "copy"), "--sample", "3").output
    assert "5" in call(versions, "browse", "--store", root, "-o", str(tmp_path / "browse"), "--only", "BOW").output
    out = str(tmp_path / "out")
    assert "A card needs" in refused(versions, "export", "--store", root, "-o", out, "--creator", "Quillmarsh")
    call(versions, "export", "--store", root, "-o", out, "--form", "darwin-core")
    assert "samplingProtocol" in (tmp_path / "out/occurrence.csv").read_text()


def test_a_withdrawn_picture_counts_as_neither_there_nor_read(root: str, tmp_path: Path) -> None:
    decide = ("--store", root, "--author", "ELQ", "--why", "owner asked")
    call(versions, "amend", "withdraw", "--individual", "T0-1/0", *decide)
    said = call(versions, "verify", "--store", root).output
    assert "withdrawn pictures: 1" in said
    # Five trips of two fish and two targets are 20 pictures.
    assert "19 of 19 pictures read" in said
    copied = call(versions, "backup", "--store", root, "--to", str(tmp_path / "copy")).output
    assert f"versions verify --store {tmp_path / 'copy'}" in copied


def test_a_diff_says_who_and_why(root: str) -> None:
    decide = ("--store", root, "--author", "ELQ", "--why", "second reader")
    call(versions, "amend", "relabel", "--individual", "T0-1/0", "--becomes", "BOW", "--method", "genetic", *decide)
    said = call(versions, "diff", "5", "--store", root).output
    assert "relabel T0-1/0 to Amia calva: second reader (ELQ, " in said
    assert call(versions, "diff", "latest", "5", "--store", root).output == said  # named in either order
