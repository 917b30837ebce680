"""Each person's whole story in a real browser, with screenshots and an accessibility check of every page on the way.

Set PASSAGE_SCREENSHOTS to a folder to keep the screenshots.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, Page, expect, sync_playwright

from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.web.people import Role
from passage_cv.web.settings import WebSettings
from tests.batches import ROWS, trip_rows, write_batch
from tests.gate_world import policy_toml
from tests.web.browser import CHROMIUM, NO_CHROMIUM, Served, overflows, serious_findings, serving
from tests.web.conftest import PASSWORD, Office
from tests.web.test_research import N_TRIPS, enter_scores
from tests.worlds import CODES, five_class_policy

pytestmark = [pytest.mark.slow, pytest.mark.skipif(not CHROMIUM, reason=NO_CHROMIUM)]
WORK_MS = 120_000


@pytest.fixture
def settings(tmp_path: Path) -> WebSettings:
    return WebSettings(data=tmp_path / "data")


@pytest.fixture
def office(settings: WebSettings, make_office: Callable[..., Office]) -> Office:
    """The same data folder, opened beside the server, to prepare what a story begins with."""
    return make_office()


@pytest.fixture
def served(settings: WebSettings) -> Iterator[Served]:
    with serving(settings) as one:
        yield one


@pytest.fixture
def chromium() -> Iterator[BrowserContext]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        context = browser.new_context(viewport={"width": 1280, "height": 900})
        context.set_default_timeout(30_000)
        yield context
        browser.close()


@pytest.fixture
def page(chromium: BrowserContext) -> Page:
    page = chromium.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda line: wrong.append(line.text) if line.type == "error" else None)
    page.wrong = wrong  # type: ignore[attr-defined]
    return page


def look(page: Page, name: str, heading: str) -> None:
    """Check a page for people who use a keyboard, a reader, a small or a dark screen; keep what it looks like."""
    page.get_by_role("heading", level=1, name=heading).wait_for()
    page.wait_for_load_state("load")
    assert serious_findings(page) == [], name
    folder = os.environ.get("PASSAGE_SCREENSHOTS", "")
    for width, scheme in ((1280, "light"), (360, "light"), (1920, "dark")):
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        assert not overflows(page), (name, width)
        if folder:
            Path(folder).mkdir(parents=True, exist_ok=True)
            page.screenshot(path=f"{folder}/{name}-{width}.png", full_page=True)
    assert serious_findings(page) == [], f"{name}, dark"
    page.set_viewport_size({"width": 1280, "height": 900})
    page.emulate_media(color_scheme="light")


def sign_in(page: Page, served: Served, name: str) -> None:
    page.goto(served.address + "/sign-in")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("button", name="Sign out").wait_for()


def no_errors(page: Page) -> None:
    assert page.wrong == []  # type: ignore[attr-defined]


def test_the_first_administrator_and_an_invited_technician(served: Served, page: Page) -> None:
    link = re.search(r"/join/[\w-]+", served.log.read_text())
    assert link
    page.goto(served.address + link[0])
    look(page, "join", "Choose your password")
    page.get_by_label("Your name").fill("Ada")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Begin").click()
    page.get_by_label("Name", exact=True).fill("Rika")
    page.get_by_label("technician").check()
    page.get_by_role("button", name="Make the link").click()
    look(page, "people", "People")
    invitation = page.locator("code.secret").inner_text()
    page.get_by_role("link", name="Who did what").click()
    look(page, "deeds", "Who did what")
    page.get_by_role("button", name="Sign out").click()
    look(page, "sign-in", "Sign in")
    page.goto(invitation)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Begin").click()
    expect(page.get_by_text("You have no batch yet")).to_be_visible()
    no_errors(page)


def test_a_technician_brings_a_batch_home(
    office: Office, served: Served, page: Page, chromium: BrowserContext, tmp_path: Path
) -> None:
    office.person("Rika", Role.TECHNICIAN)
    store = _begin(office)
    rows = [{**ROWS[0], "code": "NSX"}, *ROWS[1:], {**ROWS[2], "image": "images/4.jpg", "length_mm": "long"}]
    folder = write_batch(tmp_path / "trip", rows)
    sign_in(page, served, "Rika")
    look(page, "batches-empty", "Batches")
    page.get_by_role("link", name="Start a batch").click()
    look(page, "batch-new", "Start a batch")
    page.get_by_label("Trip", exact=True).fill("2031-05-11-RKV")
    page.get_by_role("button", name="Start, then send files").click()
    look(page, "batch-open", "2031-05-11-RKV")
    page.locator("#folder").set_input_files(folder)
    page.get_by_role("link", name="Look at the findings").wait_for(timeout=WORK_MS)
    expect(page.get_by_text(re.compile("^6 files, .* have arrived"))).to_be_visible()
    look(page, "batch-checked", "2031-05-11-RKV")
    page.get_by_role("link", name="Look at the findings").click()
    look(page, "findings", "Findings")
    wrong_length = page.locator(".finding", has_text="length_mm is")
    page.locator(".finding", has_text="NSX").focus()
    page.keyboard.press("a")
    page.locator(".finding", has_text="corrected code: NSH").first.wait_for()
    wrong_length.focus()
    page.keyboard.press("e")
    page.keyboard.type("505")
    page.keyboard.press("Enter")
    page.locator(".finding", has_text="corrected length_mm: 505").wait_for()
    page.keyboard.press("u")  # wherever the focus went: the last decision
    expect(page.locator(".finding", has_text="corrected length_mm: 505")).to_have_count(0)
    wrong_length.focus()
    page.keyboard.press("x")
    page.keyboard.press("Enter")
    page.locator(".finding", has_text="left out: not a number").wait_for()
    look(page, "findings-decided", "Findings")
    page.keyboard.press("r")
    page.get_by_text("Nothing to resolve").wait_for(timeout=WORK_MS)
    look(page, "batch-clean", "2031-05-11-RKV")
    page.get_by_role("button", name="Accept").click()
    page.get_by_role("link", name="Receipt").wait_for(timeout=WORK_MS)
    look(page, "batch-accepted", "2031-05-11-RKV")
    page.get_by_role("link", name="Receipt").click()
    look(page, "receipt", "Receipt")
    page.get_by_role("link", name="Batches").click()
    look(page, "batches", "Batches")
    assert open_version(store).table()["code"].to_pylist() == ["NSH", "NSH", "BOW"]
    no_errors(page)


def test_an_upload_goes_on_after_a_lost_line_and_a_killed_server(
    office: Office, served: Served, page: Page, chromium: BrowserContext, tmp_path: Path
) -> None:
    office.person("Rika", Role.TECHNICIAN)
    large = tmp_path / "large.bin"
    large.write_bytes(os.urandom(40 << 20))
    sign_in(page, served, "Rika")
    page.get_by_role("link", name="Start a batch").click()
    page.get_by_label("Trip", exact=True).fill("2031-05-11-RKV")
    page.get_by_role("button", name="Start, then send files").click()
    batch = page.url.rpartition("/")[2]
    page.locator("#files").set_input_files(large)
    incoming = served.settings.data / "incoming"
    _until_some_arrived(page, incoming)
    chromium.set_offline(offline=True)
    page.wait_for_timeout(500)
    chromium.set_offline(offline=False)
    page.wait_for_timeout(300)
    served.kill()
    page.wait_for_timeout(500)
    served.start()
    expect(page.get_by_text(re.compile("^1 file, .* has arrived"))).to_be_visible(timeout=WORK_MS)
    received = served.settings.data / "batches" / batch / "received" / "large.bin"
    assert received.read_bytes() == large.read_bytes()
    assert list(incoming.iterdir()) == []


def test_a_researcher_proposes_and_an_engineer_releases(
    office: Office, served: Served, page: Page, tmp_path: Path
) -> None:
    office.role(Role.ENGINEER)
    _research(office, served, page, tmp_path)
    page.get_by_role("button", name="Sign out").click()
    sign_in(page, served, "engineer")
    look(page, "releases", "Releases")
    page.get_by_role("link", name="QMR-KBW-01, spring").click()
    look(page, "release-proposed", "Release for")
    page.get_by_role("button", name="Accept and make the package").click()
    page.get_by_role("button", name="Verify").wait_for(timeout=WORK_MS)
    look(page, "release-accepted", "Release for")
    page.get_by_role("button", name="Verify").click()
    page.get_by_text("every byte").wait_for(timeout=WORK_MS)
    look(page, "release-verified", "Release for")
    with page.expect_download() as waiting:
        page.get_by_role("link", name="Download").click()
    assert waiting.value.suggested_filename.startswith("QMR-KBW-01-")
    page.get_by_label("Why now").fill("season begins")
    page.get_by_role("button", name="Put into service").click()
    look(page, "service", "In service")
    page.goto(served.address + "/people")
    look(page, "refusal", "That was refused")


def _research(office: Office, served: Served, page: Page, tmp_path: Path) -> None:
    """From a policy to a proposal."""
    office.role(Role.RESEARCHER)
    sign_in(page, served, "researcher")
    look(page, "data-begin", "Begin the data set")
    page.goto(served.address + "/policies")
    page.get_by_label("Name").fill("spring")
    page.get_by_label("Text of the policy").fill(policy_toml(five_class_policy()))
    page.get_by_role("button", name="Hand in").click()
    look(page, "policies", "Policies")
    page.get_by_role("link", name="Data set").click()
    page.get_by_label("Policy whose excluded").select_option("spring")
    page.get_by_role("button", name="Begin it for good").click()
    _accept(office, page, tmp_path)
    cutoffs = _calibrated(office, page, tmp_path)
    page.goto(served.address + "/data")
    look(page, "data", "Data set")
    page.get_by_role("link", name="000002-").click()
    look(page, "version", "Version")
    page.get_by_role("link", name="000001-").click()
    look(page, "diff", "From")
    for name in ("Models", "Work"):
        page.get_by_role("link", name=name, exact=True).click()
        look(page, name.lower(), name)
    page.goto(f"{served.address}/cutoffs/{cutoffs}")
    page.get_by_role("button", name="Write the report").click()
    page.get_by_role("link", name="QMR-KBW-01, spring").wait_for(timeout=WORK_MS)
    look(page, "job-done", "Work: report")
    page.goto(f"{served.address}/cutoffs/{cutoffs}")
    look(page, "cutoffs-one", "Cutoffs for")
    page.get_by_label("What is better than before").fill("first of the season")
    page.get_by_role("button", name="Propose for release").click()
    expect(page.get_by_text("Another person decides about it")).to_be_visible()
    page.get_by_role("link", name="Ledger").click()
    look(page, "ledger", "Ledger")


def _calibrated(office: Office, page: Page, tmp_path: Path) -> str:
    """Cutoffs from invented scores, set by the server's own workers."""
    researcher, scores = office.role(Role.RESEARCHER), enter_scores(office, tmp_path)
    job = str(researcher.post("/cutoffs", scores=scores, policy="spring").headers["location"]).rpartition("/")[2]
    for _ in range(600):
        state = researcher.get(f"/api/jobs/{job}").json()["state"]
        if state not in {"waiting", "running"}:
            break
        page.wait_for_timeout(200)
    assert state == "done"
    return job


def _begin(office: Office) -> Store:
    researcher = office.role(Role.RESEARCHER)
    assert researcher.post("/data", unit="trip").status_code == 303
    return Store.open(office.settings.store_root)


def _accept(office: Office, page: Page, tmp_path: Path) -> None:
    """Batches with the five classes, one of them in train; the server's own workers do what waits."""
    technician = office.role(Role.TECHNICIAN)
    for name in (f"T{n}" for n in range(N_TRIPS)):
        batch = technician.begin(name=name)
        technician.send_folder(batch, write_batch(tmp_path / name, trip_rows(name, 10, CODES)))
        for step, state in (("check", "checked"), ("accept", "accepted")):
            assert technician.post(f"/batches/{batch}/{step}").status_code == 303
            for _ in range(600):
                if technician.get("/api/batches").json()[0]["state"] == state:
                    break
                page.wait_for_timeout(200)
            assert technician.get("/api/batches").json()[0]["state"] == state


def _until_some_arrived(page: Page, incoming: Path) -> None:
    for _ in range(600):
        if incoming.is_dir() and any(path.stat().st_size > 0 for path in incoming.iterdir()):
            return
        page.wait_for_timeout(20)
    raise AssertionError("nothing arrived")
