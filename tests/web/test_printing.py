"""A receipt on paper: black on white, no menu, nothing cut off."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from passage_cv.web.ask import COOKIE
from passage_cv.web.people import Role
from passage_cv.web.settings import WebSettings
from tests.batches import trip_rows, write_batch
from tests.web.browser import CHROMIUM, NO_CHROMIUM, overflows, serving
from tests.web.conftest import Office
from tests.web.test_research import accept, begin
from tests.web.test_stories import chromium, page
from tests.worlds import CODES

__all__ = ["chromium", "page"]
pytestmark = [pytest.mark.slow, pytest.mark.skipif(not CHROMIUM, reason=NO_CHROMIUM)]
A4_PX = 794
"""Width of A4 at 96 pixels an inch: 210 mm / 25.4 mm * 96."""


def test_a_receipt_prints(
    make_office: Callable[..., Office], page: Page, chromium: BrowserContext, tmp_path: Path
) -> None:
    office = make_office()
    begin(office.role(Role.RESEARCHER))
    accept(office, write_batch(tmp_path / "trip", trip_rows("T1", 10, CODES)))
    technician = office.role(Role.TECHNICIAN)
    (batch,) = technician.get("/api/batches").json()
    with serving(WebSettings(data=office.settings.data)) as served:
        cookie = {"name": COOKIE, "value": technician.secret, "url": served.address, "sameSite": "Strict"}
        chromium.add_cookies([cookie])  # type: ignore[list-item]
        page.goto(f"{served.address}/batches/{batch['id']}/receipt")
        expect(page.get_by_role("navigation")).to_be_visible()
        page.emulate_media(media="print", color_scheme="dark")
        page.set_viewport_size({"width": A4_PX, "height": 1123})
        expect(page.get_by_role("navigation")).to_be_hidden()
        expect(page.get_by_text("About this page")).to_be_hidden()
        ink, paper = page.evaluate(
            "[getComputedStyle(document.body).color, getComputedStyle(document.body).backgroundColor]"
        )
        assert (ink, paper) == ("rgb(0, 0, 0)", "rgb(255, 255, 255)")
        assert not overflows(page)
        kept = technician.get(f"/api/batches/{batch['id']}/receipt").json()["receipt"]
        for told in (kept["version"], "Channa argus", "sheet.csv"):
            expect(page.get_by_text(told).first).to_be_visible()
        assert page.pdf(format="A4").startswith(b"%PDF")
