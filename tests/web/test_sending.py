"""What a person sees while files go: each of them, all of them, the time left; and pictures taken with a tablet."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from passage_cv.web.people import Role
from tests.batches import jpeg
from tests.web.browser import CHROMIUM, NO_CHROMIUM, Served
from tests.web.conftest import Office
from tests.web.test_stories import chromium, look, no_errors, office, page, served, settings, sign_in

__all__ = ["chromium", "office", "page", "served", "settings"]
pytestmark = [pytest.mark.slow, pytest.mark.skipif(not CHROMIUM, reason=NO_CHROMIUM)]
SLOW_LINE = 250_000
"""Bytes a second of a station's line on a bad day [ours]: three files of 600 kB take some seven seconds."""
WORK_MS = 120_000


def _begin(page: Page, served: Served, office: Office) -> str:
    office.person("Rika", Role.TECHNICIAN)
    sign_in(page, served, "Rika")
    page.get_by_role("link", name="Start a batch").click()
    page.get_by_role("button", name="Start, then send files").click()
    page.locator("#drop").wait_for()
    return page.url.rpartition("/")[2]


def test_each_file_and_all_of_them_tell_how_far_they_are(
    office: Office, served: Served, page: Page, chromium: BrowserContext, tmp_path: Path
) -> None:
    batch = _begin(page, served, office)
    files = [tmp_path / f"long-{n}.bin" for n in range(3)]
    for path in files:
        path.write_bytes(os.urandom(600_000))
    line = chromium.new_cdp_session(page)
    limits = {"offline": False, "latency": 20, "downloadThroughput": -1, "uploadThroughput": SLOW_LINE}
    line.send("Network.emulateNetworkConditions", limits)
    page.locator("#files").set_input_files(files)
    rows = page.locator("#moving li")
    expect(rows).to_have_count(3)
    for path in files:
        own = rows.filter(has_text=path.name)
        expect(own.get_by_role("progressbar", name=path.name)).to_be_visible()
        expect(own).to_contain_text(re.compile(r"[1-9]\d* k?B / 600 kB"), timeout=WORK_MS)
    told = page.locator("#told")
    expect(told).to_contain_text(re.compile(r"Files: \d of 3, \d+ kB of 2 MB, about \d+ s left"))
    before = float(page.locator("#bar").evaluate("bar => bar.value / bar.max"))
    assert 0 < before < 1
    page.get_by_role("button", name="Pause").click()
    look(page, "sending", "batch of")
    page.get_by_role("button", name="Go on").click()
    expect(page.get_by_text(re.compile("^3 files, .* have arrived"))).to_be_visible(timeout=WORK_MS)
    received = served.settings.data / "batches" / batch / "received"
    assert all((received / path.name).read_bytes() == path.read_bytes() for path in files)
    no_errors(page)


def test_pictures_taken_with_a_tablet_arrive_side_by_side(
    office: Office, served: Served, page: Page, tmp_path: Path
) -> None:
    page.set_viewport_size({"width": 820, "height": 1180})
    batch = _begin(page, served, office)
    camera = page.get_by_label("Take or choose pictures on a tablet")
    assert camera.get_attribute("accept") == "image/*"
    assert camera.get_attribute("capture") == "environment"
    taken = [{"name": "image.jpg", "mimeType": "image/jpeg", "buffer": jpeg(f"tablet {n}")} for n in range(2)]
    camera.set_input_files(taken)  # type: ignore[arg-type]  # a tablet calls every picture alike
    expect(page.get_by_text(re.compile("^2 files, .* have arrived"))).to_be_visible(timeout=WORK_MS)
    page.wait_for_load_state("load")  # the page came anew; its script takes files once it has run
    page.get_by_label("Take or choose pictures on a tablet").set_input_files(
        [{"name": "image.jpg", "mimeType": "image/jpeg", "buffer": jpeg("tablet 2")}]
    )
    expect(page.get_by_text(re.compile("^3 files, .* have arrived"))).to_be_visible(timeout=WORK_MS)
    folder = served.settings.data / "batches" / batch / "received" / "tablet"
    assert {path.read_bytes() for path in folder.iterdir()} == {jpeg(f"tablet {n}") for n in range(3)}
    no_errors(page)


def test_pictures_chosen_while_the_line_is_down_go_when_it_is_back(
    office: Office, served: Served, page: Page, chromium: BrowserContext
) -> None:
    page.set_viewport_size({"width": 820, "height": 1180})
    batch = _begin(page, served, office)
    chromium.set_offline(offline=True)
    for n in range(3):  # one after the other, as a tablet takes them
        page.get_by_label("Take or choose pictures on a tablet").set_input_files(
            [{"name": "image.jpg", "mimeType": "image/jpeg", "buffer": jpeg(f"far from the line {n}")}]
        )
    told = page.locator("#told")
    expect(told).to_contain_text("The line is down")
    expect(told).to_contain_text("0 of 3")
    chromium.set_offline(offline=False)
    expect(page.get_by_text(re.compile("^3 files, .* have arrived"))).to_be_visible(timeout=WORK_MS)
    folder = served.settings.data / "batches" / batch / "received" / "tablet"
    assert {path.read_bytes() for path in folder.iterdir()} == {jpeg(f"far from the line {n}") for n in range(3)}
