"""An engineer sees an alarm, takes the package before back into service, and downloads what now runs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from passage_cv.web.people import Role
from passage_cv.web.settings import WebSettings
from tests.batches import trip_rows, write_batch
from tests.web.browser import CHROMIUM, NO_CHROMIUM, serving
from tests.web.conftest import Office
from tests.web.furnished import hand_in_log, raise_alarm
from tests.web.test_research import N_TRIPS, accept, begin, calibrated, last, released
from tests.web.test_stories import chromium, look, no_errors, page, sign_in
from tests.worlds import CODES

__all__ = ["chromium", "page"]
pytestmark = [pytest.mark.slow, pytest.mark.skipif(not CHROMIUM, reason=NO_CHROMIUM)]


def test_back_to_the_package_before(
    make_office: Callable[..., Office], page: Page, chromium: BrowserContext, tmp_path: Path
) -> None:
    office = make_office()
    second = _two_in_service(office, tmp_path)
    hand_in_log(office, office.role(Role.ENGINEER), second, tmp_path)
    raise_alarm(office, last(office, "status").id)
    with serving(WebSettings(data=office.settings.data)) as served:
        sign_in(page, served, "engineer")
        page.get_by_role("link", name="In service").click()
        expect(page.locator(".sign.bad")).to_contain_text("NSH: miss")
        look(page, "service-alarm", "In service")
        page.get_by_role("link", name="Gate log: 4 presentations").click()
        expect(page.get_by_role("alert")).to_contain_text("NSH: miss")
        look(page, "status-alarm", "Gate at QMR-KBW-01")
        page.get_by_role("link", name="In service").click()
        page.get_by_label("Why").fill("audit alarm: a snakehead was passed")
        page.get_by_role("button", name="Go back to").click()
        rows = page.locator("table").first.locator("tbody tr")
        expect(rows).to_have_count(3)
        expect(rows.first).to_contain_text("a snakehead was passed")
        reasons = [row.locator("td").last.inner_text() for row in rows.all()]
        assert reasons[1:] == ["better", "season begins"]
        rows.first.get_by_role("link").click()
        with page.expect_download() as waiting:
            page.get_by_role("link", name="Download").click()
        assert waiting.value.suggested_filename.endswith(".zip")
    no_errors(page)


def _two_in_service(office: Office, tmp_path: Path) -> str:
    """Two releases of one site, the second in service; its id."""
    researcher, engineer = office.role(Role.RESEARCHER), office.role(Role.ENGINEER)
    begin(researcher)
    for n in range(1, N_TRIPS + 1):
        accept(office, write_batch(tmp_path / f"trip-{n}", trip_rows(f"T{n}", 10, CODES)))
    first = released(office, researcher, engineer, calibrated(office, researcher, tmp_path))
    engineer.post(f"/releases/{first}/service", reason="season begins")
    researcher.post("/cutoffs", scores="b" * 12, policy="spring")
    office.work()
    second = released(office, researcher, engineer, last(office, "calibrate").id)
    assert engineer.post(f"/releases/{second}/service", reason="better").status_code == 303
    return second
