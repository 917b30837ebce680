"""Every page, furnished and empty, for people with a small, a wide or a dark screen, a keyboard or a reader.

The list of pages is the table of routes itself: a new page without an address here fails. Set PASSAGE_SCREENSHOTS to
a folder to keep what they look like.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, Page

from passage_cv.web.ask import COOKIE
from passage_cv.web.people import Role
from passage_cv.web.routes import ROUTES
from passage_cv.web.settings import WebSettings
from tests.web.browser import CHROMIUM, NO_CHROMIUM, Served, overflows, serious_findings, serving
from tests.web.conftest import Office
from tests.web.furnished import NO_PAGES, furnish, page_routes
from tests.web.test_stories import chromium, page

__all__ = ["chromium", "page"]
SCREENS = ((360, "light"), (360, "dark"), (1920, "light"), (1920, "dark"))
browsing = pytest.mark.skipif(not CHROMIUM, reason=NO_CHROMIUM)


def test_what_is_called_no_page_is_a_route() -> None:
    assert set(NO_PAGES) <= {one.path for one in ROUTES if one.method == "GET"}


@pytest.mark.slow
@browsing
def test_every_page_with_something_on_it(
    make_office: Callable[..., Office], page: Page, chromium: BrowserContext, tmp_path: Path
) -> None:
    office = make_office()
    addresses = furnish(office, tmp_path / "place")
    assert set(addresses) == set(page_routes())
    faults: list[str] = []
    with serving(WebSettings(data=office.settings.data)) as served:
        _sign_in(office, served, chromium)
        for route in page_routes():
            for n, address in enumerate(addresses[route]):
                faults += _look(page, served.address + address, f"{route} {n}")
    assert faults == []
    wrong = [one for one in page.wrong if "Failed to load resource" not in one]  # type: ignore[attr-defined]
    assert wrong == []  # invented runs name pictures that no data set has


@pytest.mark.slow
@browsing
def test_every_page_before_there_is_anything(
    make_office: Callable[..., Office], page: Page, chromium: BrowserContext
) -> None:
    office = make_office()
    faults: list[str] = []
    with serving(WebSettings(data=office.settings.data)) as served:
        _sign_in(office, served, chromium)
        for route in page_routes():
            if "{" not in route:
                faults += _look(page, served.address + route, f"empty {route}")
    assert faults == []


def _sign_in(office: Office, served: Served, chromium: BrowserContext) -> None:
    secret = office.role(*Role).secret
    chromium.add_cookies([{"name": COOKIE, "value": secret, "url": served.address, "sameSite": "Strict"}])


def _look(page: Page, address: str, name: str) -> list[str]:
    """What is wrong with a page on four screens."""
    answer = page.goto(address)
    assert answer is not None
    if answer.status != 200:
        return [f"{name}: {answer.status}"]
    faults = []
    for width, scheme in SCREENS:
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        faults += [f"{name} {width} {scheme}: {one}" for one in serious_findings(page)]
        faults += [f"{name} {width}: wider than the window"] if overflows(page) else []
        faults += [f"{name} {width}: a line too long to read: {one}" for one in _long_lines(page)]
        _keep(page, f"{name} {width} {scheme}")
    return faults


def _keep(page: Page, name: str) -> None:
    folder = os.environ.get("PASSAGE_SCREENSHOTS", "")
    if folder:
        Path(folder).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=Path(folder) / (re.sub(r"\W+", "-", name).strip("-") + ".png"), full_page=True)


def _long_lines(page: Page) -> list[str]:
    """Running text whose lines hold more than some 130 characters (half an em each): nobody finds the next line."""
    found = page.evaluate(
        """() => [...document.querySelectorAll("main p, main li, main dd, main td, main span, main label")]
        .filter(e => e.textContent.trim().length > 130
            && e.getBoundingClientRect().width > 65 * parseFloat(getComputedStyle(e).fontSize))
        .map(e => e.textContent.trim().slice(0, 80))"""
    )
    return [str(one) for one in found]
