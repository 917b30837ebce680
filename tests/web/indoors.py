"""Chromium in front of the application itself: each request is answered in this process, no server is started."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

from playwright.sync_api import Page, Route, sync_playwright

from tests.web.browser import CHROMIUM, overflows
from tests.web.conftest import Browser

ADDRESS = "http://testserver"
_SENT = ("accept", "accept-language", "content-type", "hx-request", "x-form-mark")


@contextmanager
def watching(browser: Browser) -> Iterator[Page]:
    """A page of Chromium that shows what the application tells this signed-in person."""
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = chromium.new_page(viewport={"width": 1280, "height": 900})
        page.set_default_timeout(15_000)
        page.route("**/*", _answering(browser))
        yield page
        chromium.close()


def look_at(page: Page, name: str) -> None:
    """Nothing overflows on a small and a wide screen, light and dark; kept where PASSAGE_SCREENSHOTS says."""
    folder = os.environ.get("PASSAGE_SCREENSHOTS", "")
    for width, scheme in ((360, "dark"), (360, "light"), (1920, "dark"), (1920, "light")):
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]  # a literal of two
        assert not overflows(page), (name, width)
        if folder:
            Path(folder).mkdir(parents=True, exist_ok=True)
            page.screenshot(path=f"{folder}/{name}-{width}-{scheme}.png", full_page=True)
    page.set_viewport_size({"width": 1280, "height": 900})


def _answering(browser: Browser) -> Callable[[Route], None]:
    def answer(route: Route) -> None:
        asked = route.request
        parts = urlsplit(asked.url)
        path = parts.path + (f"?{parts.query}" if parts.query else "")
        headers = {name: value for name, value in asked.headers.items() if name in _SENT}
        found = browser.client.request(
            asked.method, path, headers=headers, content=asked.post_data_buffer, follow_redirects=True
        )
        route.fulfill(status=found.status_code, headers=dict(found.headers), body=found.content)

    return answer
