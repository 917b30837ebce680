"""A sheet that is on paper only, in a browser: keyed by keyboard, read again blind, compared cell by cell."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from passage_cv.web.people import Role
from passage_cv.web.tables import Keying
from tests.batches import FACTS, jpeg
from tests.web.browser import CHROMIUM, NO_CHROMIUM, Served
from tests.web.conftest import Office
from tests.web.night import write_night
from tests.web.test_keying import PAPER
from tests.web.test_stories import chromium, look, no_errors, office, page, served, settings, sign_in

__all__ = ["chromium", "office", "page", "served", "settings"]
pytestmark = [pytest.mark.slow, pytest.mark.skipif(not CHROMIUM, reason=NO_CHROMIUM)]


def test_two_readers_of_one_paper(
    office: Office, served: Served, page: Page, chromium: BrowserContext, tmp_path: Path
) -> None:
    for name in ("Rika", "Elq"):
        office.person(name, Role.TECHNICIAN)
    rika = office.browser("Rika")
    batch = rika.begin(**FACTS, length_type="TL")
    for path in write_night(tmp_path / "night", 2).glob("*.jpg"):
        rika.send(batch, path.name, path.read_bytes())
    rika.send(batch, PAPER, jpeg("paper", width=800, height=600))
    sign_in(page, served, "Rika")
    page.goto(f"{served.address}/batches/{batch}")
    page.get_by_role("link", name="The sheet is on paper").click()
    page.get_by_role("button", name="Open it").click()
    _key(page, "0-code", "NSH", "BOW")
    _key(page, "0-length_mm", "480", "510")
    page.locator('[name="1-sex"]').focus()
    page.locator('[name="0-sex"]').fill("F")
    page.locator('[name="1-sex"]').press("Control+d")
    expect(page.locator('[name="1-sex"]')).to_have_value("F")
    asked = []
    page.once("dialog", lambda dialog: (asked.append(dialog.type), dialog.dismiss()))
    page.get_by_role("link", name="Back to the batch").click()
    expect(page.locator('[name="0-code"]')).to_have_value("NSH")
    assert asked == ["beforeunload"]
    page.get_by_role("button", name="Keep").click()
    look(page, "paper-keyed", "Key from the paper")
    page.get_by_role("button", name="second").click()
    page.get_by_role("button", name="Sign out").click()
    _read_blind(page, served)
    sign_in(page, served, "Rika")
    page.goto(f"{served.address}/batches/{batch}/keying?image={PAPER}")
    page.get_by_role("link", name="Compare").click()
    look(page, "paper-compared", "Two readers differ")
    page.get_by_role("radio", name="Second reader").check()
    page.get_by_role("button", name="Keep these readings").click()
    page.get_by_role("heading", name="Key from the paper").wait_for()
    with office.server.sessions() as db:
        made = db.query(Keying).one()
    assert [row["code"] for row in made.first[:2]] == ["NSH", "BCF"]
    assert (made.state, made.second_by) == ("settled", "Elq")
    no_errors(page)


def _key(page: Page, first: str, *cells: str) -> None:
    """Key one column from its first cell, going down with Enter."""
    page.locator(f'[name="{first}"]').focus()
    for cell in cells:
        page.keyboard.type(cell)
        page.keyboard.press("Enter")


def _read_blind(page: Page, served: Served) -> None:
    """Elq sees the picture and an empty grid, and reads one code otherwise."""
    sign_in(page, served, "Elq")
    page.get_by_role("link", name="Paper sheets").click()
    page.get_by_role("button", name="Key it").or_(page.get_by_role("link", name="Key it")).click()
    expect(page.locator('[name="0-code"]')).to_have_value("")
    expect(page.get_by_text("NSH")).to_have_count(0)
    look(page, "paper-blind", "Sheets for a second reader")
    _key(page, "0-code", "NSH", "BCF")
    _key(page, "0-length_mm", "480", "510")
    _key(page, "0-sex", "F", "F")
    page.get_by_role("button", name="Keep").click()
    page.get_by_role("button", name="Sign out").click()
