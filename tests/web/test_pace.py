"""Sending files as the page does it, in Chromium: the time left, files that failed, a person signed out meanwhile."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, Route, expect

from passage_cv.web.pages import STATIC
from passage_cv.web.people import Role
from tests.web.browser import CHROMIUM, NO_CHROMIUM
from tests.web.conftest import Browser, Office
from tests.web.indoors import ADDRESS, look_at, watching

pytestmark = pytest.mark.skipif(not CHROMIUM, reason=NO_CHROMIUM)


@pytest.fixture
def technician(office: Office) -> Browser:
    return office.role(Role.TECHNICIAN)


@pytest.fixture
def page(technician: Browser) -> Iterator[Page]:
    with watching(technician) as one:
        yield one


def _send(page: Page, batch: str, *names: str) -> None:
    page.goto(f"{ADDRESS}/batches/{batch}")
    files = [{"name": name, "mimeType": "text/plain", "buffer": name.encode()} for name in names]
    page.locator("#files").set_input_files(files)  # type: ignore[arg-type]


def _take(route: Route) -> None:
    """Answer as the server does when a whole file came with its creation."""
    length = route.request.headers["upload-length"]
    headers = {"tus-resumable": "1.0.0", "location": f"{ADDRESS}/uploads/1", "upload-offset": length}
    route.fulfill(status=201, headers=headers)


def test_time_left_knows_no_pause_and_no_old_speed(page: Page) -> None:
    page.set_content("<p>")
    page.add_script_tag(content=(STATIC / "pace.js").read_text(encoding="utf-8"))
    told = page.evaluate("""() => {
        const pace = new Pace(30), told = [pace.left(100)];
        pace.go(0);
        for (let s = 1; s <= 10; s++) pace.sent(100, s);
        told.push(pace.left(1000));           // 100 bytes a second
        pace.rest();                          // a pause of an hour
        pace.go(3600);
        pace.sent(100, 3601);
        told.push(pace.left(1000));
        pace.rest();
        pace.sent(1e9, 7200);                 // the first word after a line that was down: no time, no bytes
        told.push(pace.left(1000));
        for (let s = 1; s <= 40; s++) pace.sent(50, 7200 + s);
        told.push(pace.left(1000));           // half as fast for longer than the half minute
        return told;
    }""")
    assert told == [None, 10, 10, 10, 20]


def test_what_failed_is_sent_again_by_one_press_and_then_checked(page: Page, technician: Browser) -> None:
    refused: list[str] = []

    def refuse_once(route: Route) -> None:
        name = route.request.headers["upload-metadata"]
        if "YmF" in name and name not in refused:  # base64 of a name that begins with "ba"
            refused.append(name)
            route.fulfill(status=400)
        else:
            _take(route)

    checks: list[str] = []
    page.route("**/uploads", refuse_once)
    page.route("**/check", lambda route: (checks.append(route.request.url), route.fulfill(status=200))[1])
    _send(page, technician.begin(), "sheet.csv", "bad.jpg", "good.jpg")
    again = page.get_by_role("button", name="Send these again")
    expect(again).to_be_visible()
    expect(page.locator("#told")).to_have_text("These files did not arrive (1): bad.jpg. The check waits for them.")
    assert not checks
    look_at(page, "sending-failed")
    with page.expect_request("**/check"):
        again.click()
    assert len(refused) == 1


def test_who_is_signed_out_meanwhile_is_told_and_loses_nothing(page: Page, technician: Browser) -> None:
    page.route("**/uploads", lambda route: route.fulfill(status=401))
    _send(page, technician.begin(), "a.jpg", "b.jpg", "c.jpg", "d.jpg", "e.jpg")
    expect(page.locator("#told")).to_contain_text("Sign in again, then choose the files again")
    expect(page.get_by_role("button", name="Send these again")).to_be_hidden()
    expect(page.locator("#moving li")).to_have_count(0)
    look_at(page, "sending-signed-out")
