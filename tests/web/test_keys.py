"""Keys of the findings page, pressed in Chromium: what U takes back, how pages turn, a picture seen large."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.web.people import Role
from passage_cv.web.views import findings as views
from tests.batches import ROWS, write_batch
from tests.web.browser import CHROMIUM, NO_CHROMIUM
from tests.web.conftest import Browser, Office
from tests.web.indoors import ADDRESS, look_at, watching
from tests.web.test_batches import checked
from tests.web.test_findings import propose

pytestmark = pytest.mark.skipif(not CHROMIUM, reason=NO_CHROMIUM)


@pytest.fixture
def technician(office: Office) -> Browser:
    return office.role(Role.TECHNICIAN)


def _three_wrong_lengths(office: Office, technician: Browser, place: Path) -> str:
    return checked(office, technician, write_batch(place, [{**row, "length_mm": "long"} for row in ROWS]))


def _correct(page: Page, value: str) -> None:
    page.keyboard.press("e")
    page.keyboard.type(value)
    page.keyboard.press("Enter")
    page.locator(".finding", has_text=f"corrected length_mm: {value}").wait_for()


def test_u_takes_back_the_last_decision_wherever_the_focus_went(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    batch = _three_wrong_lengths(office, technician, tmp_path / "trip")
    with watching(technician) as page:
        page.goto(f"{ADDRESS}/batches/{batch}/findings?only=must+resolve")
        page.keyboard.press("j")
        _correct(page, "501")
        expect(page.locator("#finding-1")).to_be_focused()  # the next one that waits, where nothing can be undone
        _correct(page, "502")
        expect(page.locator("#finding-2")).to_be_focused()
        for value in ("502", "501"):
            page.keyboard.press("u")
            expect(page.locator(".finding", has_text=f"corrected length_mm: {value}")).to_have_count(0)
        expect(page.locator(".finding.decided")).to_have_count(0)
        expect(page.locator("#finding-0")).to_be_focused()


def test_u_takes_back_the_newest_of_two_decisions_about_a_finding(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    batch = _three_wrong_lengths(office, technician, tmp_path / "trip")
    for value in ("501", "502"):
        technician.post(f"/batches/{batch}/decisions", kind="correct", row=2, column="length_mm", value=value)
    with watching(technician) as page:
        page.goto(f"{ADDRESS}/batches/{batch}/findings#finding-0")
        expect(page.locator("#finding-0")).to_be_focused()
        page.keyboard.press("u")
        expect(page.locator("#finding-0")).not_to_contain_text("502")
        expect(page.locator("#finding-0")).to_contain_text("501")


def test_pages_turn_by_key_and_a_picture_is_seen_large_without_leaving(
    office: Office, technician: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(views, "PER_PAGE", 2)
    batch = _three_wrong_lengths(office, technician, tmp_path / "trip")
    with watching(technician) as page:
        page.goto(f"{ADDRESS}/batches/{batch}/findings?only=must+resolve")
        page.keyboard.press(".")
        page.wait_for_url("**page=2**")
        page.keyboard.press(",")
        page.wait_for_url("**page=1**")
        page.keyboard.press("j")
        page.keyboard.press("p")
        large = page.locator("dialog img")
        expect(large).to_be_visible()
        box, seen = large.bounding_box(), page.locator(".finding img").first.bounding_box()
        assert box is not None
        assert seen is not None
        assert box["height"] > 2 * seen["height"]
        look_at(page, "large")
        page.keyboard.press("Escape")
        expect(large).to_be_hidden()
        page.keyboard.press("p")
        expect(large).to_be_visible()
        page.keyboard.press("p")  # there is no further picture
        expect(large).to_be_hidden()
        expect(page.locator("#finding-0")).to_be_focused()
        page.locator(".finding .pictures a").first.click()
        expect(large).to_be_visible()
        assert "/findings" in page.url


def test_on_paper_stand_facts_and_no_fields(office: Office, technician: Browser, tmp_path: Path) -> None:
    batch = _three_wrong_lengths(office, technician, tmp_path / "trip")
    with watching(technician) as page:
        page.goto(f"{ADDRESS}/batches/{batch}")
        expect(page.locator("#drop")).to_be_visible()
        page.emulate_media(media="print")
        for gone in ("#drop", ".button", "button", "input[type=file]", "form"):
            for one in page.locator(gone).all():
                expect(one).to_be_hidden()
        expect(page.get_by_text("Findings that stop this batch: 3.")).to_be_visible()


def test_a_receipt_has_a_button_that_prints_it_and_is_not_printed(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    Store.create(office.settings.store_root, StoreSettings())
    batch = checked(office, technician, write_batch(tmp_path / "trip"))
    technician.post(f"/batches/{batch}/accept")
    office.work()
    with watching(technician) as page:
        page.add_init_script("window.print = () => { window.printed = true; };")
        page.goto(f"{ADDRESS}/batches/{batch}/receipt")
        page.get_by_role("button", name="Print").click()
        assert page.evaluate("window.printed")
        look_at(page, "receipt")
        page.emulate_media(media="print", color_scheme="dark")
        expect(page.get_by_role("button", name="Print")).to_be_hidden()
        expect(page.get_by_text("Print it and keep it with the field sheets.", exact=True)).to_be_hidden()
        if folder := os.environ.get("PASSAGE_SCREENSHOTS", ""):
            page.screenshot(path=f"{folder}/receipt-paper.png", full_page=True)


def test_proposals_accepted_at_once_are_taken_back_by_one_button(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    batch = _three_wrong_lengths(office, technician, tmp_path / "trip")
    propose(office, batch, "length_mm", "480")
    with watching(technician) as page:
        page.goto(f"{ADDRESS}/batches/{batch}")
        expect(page.get_by_role("link", name="Look at the findings")).to_have_class("button main")
        look_at(page, "batch-stops")
        page.goto(f"{ADDRESS}/batches/{batch}/findings")
        page.get_by_role("button", name="Accept all 3 proposals").click()
        expect(page.locator(".finding.decided")).to_have_count(3)
        look_at(page, "accepted-at-once")
        page.goto(f"{ADDRESS}/batches/{batch}")
        look_at(page, "batch-decisions")
        page.get_by_role("button", name="Take back all 3").click()
        expect(page.get_by_role("heading", name="What was decided")).to_have_count(0)
