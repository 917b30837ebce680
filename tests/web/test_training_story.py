"""A researcher trains in the browser: sees it move, stops one, loses the server, and scores the other."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from passage_cv.web.people import Role
from tests.gate_world import policy_toml
from tests.web.browser import CHROMIUM, NO_CHROMIUM, Served
from tests.web.conftest import Office
from tests.web.test_stories import _accept, chromium, look, no_errors, office, page, served, settings, sign_in
from tests.worlds import five_class_policy

__all__ = ["chromium", "office", "page", "served", "settings"]
pytestmark = [pytest.mark.slow, pytest.mark.skipif(not CHROMIUM, reason=NO_CHROMIUM)]
TRAINING_MS = 600_000


def test_a_training_from_its_form_to_its_scores(
    office: Office, served: Served, page: Page, chromium: BrowserContext, tmp_path: Path
) -> None:
    researcher = office.role(Role.RESEARCHER)
    assert researcher.post("/policies", name="spring", text=policy_toml(five_class_policy())).status_code == 303
    assert researcher.post("/data", unit="individual", policy="spring").status_code == 303
    _accept(office, page, tmp_path)
    sign_in(page, served, "researcher")
    for _ in range(2):
        page.goto(served.address + "/models")
        page.get_by_label("Training set-up").select_option("quick")
        page.get_by_role("button", name="Start training").click()
        page.get_by_role("heading", name="Work: training").wait_for()
    page.get_by_role("button", name="Stop it").click()
    expect(page.locator(".sign.cancelled")).to_be_visible(timeout=TRAINING_MS)
    page.get_by_role("link", name="Work", exact=True).click()
    page.get_by_role("link", name="training").last.click()
    expect(page.locator(".sign.running")).to_contain_text("running", timeout=TRAINING_MS)
    expect(page.locator("#log")).to_contain_text(re.compile(r"\d\d:\d\d:\d\d \w+"), timeout=TRAINING_MS)
    page.goto("about:blank")
    served.kill()
    served.start()
    page.goto(f"{served.address}/jobs")
    page.get_by_role("link", name="training").last.click()
    page.get_by_role("link", name="quick on").wait_for(timeout=TRAINING_MS)
    look(page, "training-done", "Work: training")
    page.get_by_role("link", name="quick on").click()
    look(page, "run", "quick on")
    expect(page.get_by_text("mlflow run")).to_be_visible()
    page.get_by_role("button", name="Score").click()
    page.get_by_role("heading", name="Work: scoring").wait_for()
    expect(page.locator(".sign.done")).to_be_visible(timeout=TRAINING_MS)
    no_errors(page)
