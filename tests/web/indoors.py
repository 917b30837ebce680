"""Chromium in front of the application itself: each request is answered in this process, no server is started."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from urllib.parse import urlsplit

from playwright.sync_api import Page, Route, sync_playwright

from tests.web.browser import CHROMIUM
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
