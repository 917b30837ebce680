"""The receipt: what a crew can hold against what they sent."""

import json
from datetime import UTC, datetime
from pathlib import Path

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.receipt import COLLECTED, WRITTEN_BY_CHECK, Receipt
from passage_cv.dataset.receipt_page import receipt_page
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.files import sha256_file
from passage_cv.intake.check import check_batch
from passage_cv.intake.resolutions import Correction, Exclusion, LetStand, Resolutions, write_resolutions
from tests.batches import FACTS, ROWS, write_batch
from tests.intake.test_permits import PERMIT


def accepted(tmp_path: Path) -> tuple[Path, Receipt]:
    """Two light snakehead pictures let stand, one bowfin left out."""
    rows = [{**row, "weight_g": "300" if row["code"] == "NSH" else ""} for row in ROWS]
    folder = write_batch(tmp_path / "b", rows)
    stand = LetStand(kind="weight for length", row=2, why="spent <& starved>", who="ELQ")
    left_out = Exclusion(image="images/3.jpg", why="hand in view", who="TBO")
    write_resolutions(folder, Resolutions(let_stand=(stand,), exclude=(left_out,)))
    store = Store.create(tmp_path / "store", StoreSettings())
    at = datetime(2031, 5, 12, tzinfo=UTC)
    return folder, accept_batch(check_batch(folder), store, author="TBO", at=at)


def test_counts_hashes_findings_and_decisions(tmp_path: Path) -> None:
    folder, receipt = accepted(tmp_path)
    assert (receipt.n_images, receipt.n_individuals) == (2, 1)
    assert receipt.pictures == {name: sha256_file(folder / name) for name in ("images/1.jpg", "images/2.jpg")}
    assert receipt.files["sheet.csv"] == sha256_file(folder / "sheet.csv")
    assert receipt.files["resolutions.toml"] == sha256_file(folder / "resolutions.toml")
    assert receipt.left_out == {"images/3.jpg": "hand in view"}
    assert [one["kind"] for one in receipt.findings] == ["weight for length"]
    assert [(one["who"], one["why"]) for one in receipt.let_stand] == [("ELQ", "spent <& starved>")]


def test_the_kept_receipt_is_the_returned_one(tmp_path: Path) -> None:
    _, receipt = accepted(tmp_path)
    (kept,) = (tmp_path / "store").glob("batches/*/receipt-*.json")
    assert json.loads(kept.read_bytes()) == json.loads(json.dumps(receipt.as_dict()))
    (page,) = (tmp_path / "store").glob("batches/*/receipt-*.html")
    assert page.read_text(encoding="utf-8") == receipt_page(receipt)


def test_the_page_says_it_all_and_escapes_it(tmp_path: Path) -> None:
    _, receipt = accepted(tmp_path)
    page = receipt_page(receipt)
    for text in (receipt.batch, receipt.version, *receipt.pictures.values(), *receipt.files.values(), "hand in view"):
        assert text in page
    assert "let stand by ELQ: spent &lt;&amp; starved&gt;" in page
    assert "<& starved>" not in page
    assert "Accepted by TBO" in page
    assert "http" not in page
    assert "<script" not in page


def test_it_says_where_the_fish_come_from_and_who_wrote_which_file(tmp_path: Path) -> None:
    _, receipt = accepted(tmp_path)
    assert receipt.collected["trip"] == [FACTS["trip"]]
    assert receipt.collected["site"] == [FACTS["locationID"]]
    assert {"event_date", "permit"} <= set(receipt.collected) <= set(COLLECTED)
    received, written = receipt_page(receipt).split("Written by the check")
    assert FACTS["trip"] in received
    assert all(name in received and name not in written for name in ("sheet.csv", "resolutions.toml"))
    assert all(name in written and name not in received for name in WRITTEN_BY_CHECK)


def test_corrections_counts_and_the_pairing_are_on_it_with_who_and_why(tmp_path: Path) -> None:
    rows = [*ROWS, {"code": "WPE", "individualCount": "120"}, {"code": "WPE", "individualCount": "5"}]
    folder = write_batch(tmp_path / "b", rows)
    correction = Correction(row=4, column="length_mm", was="510", becomes="501", why="digits swapped", who="RKV")
    left_out = Exclusion(image="images/2.jpg", why="hand in view", who="TBO")
    write_resolutions(folder, Resolutions(correct=(correction,), exclude=(left_out,)))
    pairing = 'format = 1\nwho = "ELQ"\n[[aside]]\nimage = "slate.jpg"\nwhy = "slate"\n'
    (folder / "pairing.toml").write_text(pairing)
    (folder / "slate.jpg").write_bytes((folder / "images" / "1.jpg").read_bytes() + b"x")
    store = Store.create(tmp_path / "store", StoreSettings())
    receipt = accept_batch(check_batch(folder), store, author="TBO")
    assert receipt.counted == {"Morone americana": 125}
    assert receipt.paired_by == "ELQ"
    assert receipt.left_out == {"images/2.jpg": "hand in view", "slate.jpg": "slate"}
    assert [(one["row"], one["becomes"], one["who"]) for one in receipt.corrected] == [(4, "501", "RKV")]
    page = receipt_page(receipt)
    for text in ("digits swapped", "hand in view (TBO)", "125 Morone americana", "paired with lines by ELQ"):
        assert text in page


def test_what_the_permit_leaves_stands_on_it(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b")
    (folder / "permits.toml").write_text(PERMIT)
    store = Store.create(tmp_path / "store", StoreSettings())
    receipt = accept_batch(check_batch(folder), store, author="TBO", at=datetime(2031, 5, 12, tzinfo=UTC))
    (use,) = (one for one in receipt.permits if one["species"] == "Channa argus")
    assert (use["permit"], use["handled"], use["allowed"], use["left"]) == ("QMR-31-001", 1, 2, 1)  # fish 1 of ROWS
    assert "Permits, with this batch" in receipt_page(receipt)
