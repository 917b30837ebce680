"""A new user pairs and resolves 300 fish with twenty faults in a browser; the actions are counted.

An action is a press of a button, link or key, a choice of files, or a value typed into a field.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, Locator, Page, expect

from passage_cv.dataset.versions import open_version
from passage_cv.web.people import Role
from tests.web.browser import CHROMIUM, NO_CHROMIUM, Served
from tests.web.conftest import PASSWORD, Office
from tests.web.evening import EXTRA, LENGTHS, N_FAULTS, N_FISH, SKIPPED, VIEWS, write_evening
from tests.web.test_stories import _begin, chromium, look, no_errors, office, page, served, settings

__all__ = ["chromium", "office", "page", "served", "settings"]
WORK_MS = 240_000
pytestmark = [pytest.mark.slow, pytest.mark.skipif(not CHROMIUM, reason=NO_CHROMIUM)]
MOST_ACTIONS = 30
"""One and a half for each fault: with more the page gets in the way [ours]."""
BY_HAND = [cell for cell in LENGTHS.values() if " " in cell]
"""A space may stand for a point: nothing is proposed."""


class Hand:
    """Does what a person does and counts it."""

    def __init__(self, page: Page) -> None:
        self.page, self.actions = page, 0

    def press(self, *keys: str) -> None:
        for key in keys:
            self.actions += 1
            self.page.keyboard.press(key)

    def click(self, target: Locator) -> None:
        self.actions += 1
        target.click(timeout=WORK_MS)

    def type(self, text: str) -> None:
        self.actions += 1
        self.page.keyboard.type(text)

    def button(self, name: str) -> None:
        self.click(self.page.get_by_role("button", name=name).first)

    def link(self, name: str) -> None:
        self.click(self.page.get_by_role("link", name=name).first)


def test_three_hundred_fish_and_twenty_faults(
    office: Office,
    served: Served,
    page: Page,
    chromium: BrowserContext,
    tmp_path: Path,
    record_property: Callable[[str, object], None],
) -> None:
    office.person("Rika", Role.TECHNICIAN)
    store, hand = _begin(office), Hand(page)
    folder = write_evening(tmp_path / "evening")
    page.goto(served.address)
    for label, text in (("Name", "Rika"), ("Password", PASSWORD)):
        page.get_by_label(label).focus()
        hand.type(text)
    hand.press("Enter")
    hand.link("Start a batch")
    hand.button("Start, then send files")
    page.locator("#folder").set_input_files(folder)
    hand.actions += 1
    hand.link("Pictures and lines")
    look(page, "pairing-doubtful", "Pictures and lines")
    _set_extra_pictures_aside(hand)
    hand.button("It is right: confirm and check")
    hand.link("Look at the findings")
    look(page, "findings-evening", "Findings")
    _decide(hand)
    hand.press("r")
    page.get_by_text("Nothing to resolve").wait_for(timeout=WORK_MS)
    hand.button("Accept")
    page.get_by_role("link", name="Receipt").wait_for(timeout=WORK_MS)
    table = open_version(store).table()
    assert len(table) == (N_FISH - len(SKIPPED)) * VIEWS
    assert set(table["code"].to_pylist()) == {"NSH", "BOW"}
    no_errors(page)
    record_property("actions", hand.actions)
    assert hand.actions <= MOST_ACTIONS, f"{hand.actions} actions for {N_FAULTS} faults"


def _set_extra_pictures_aside(hand: Hand) -> None:
    """Each doubtful series has one picture too many, its last."""
    for left in range(len(EXTRA), 0, -1):
        series = hand.page.locator(".series")
        expect(series).to_have_count(left)
        picture = series.first.locator("li").last
        hand.click(picture.locator("summary"))
        hand.click(picture.get_by_role("button", name="Set aside"))
    expect(hand.page.locator(".series")).to_have_count(0)


def _decide(hand: Hand) -> None:
    """Slips by kind, a length with a space by hand, lines without pictures by one key each."""
    for kind in ("unknown name", "unknown word", "not a number"):
        row = hand.page.locator("tr", has_text=kind)
        hand.click(row.get_by_role("button"))
        hand.page.locator(".finding.decided", has_text=kind).first.wait_for()
        hand.page.wait_for_load_state("load")  # keys are heard once the page's script has run
    hand.press("j")
    for left in range(len(BY_HAND) + len(SKIPPED), 0, -1):
        finding = hand.page.locator(".finding:focus")
        expect(finding).not_to_have_class("decided")
        if "length_mm" in finding.inner_text():
            hand.press("e")
            hand.type("480")
            hand.press("Enter")
        else:
            hand.press("a")
        said = (
            f"{left - 1} of {N_FAULTS - len(EXTRA)} findings still"
            if left > 1
            else "must be resolved have a decision"
        )
        hand.page.get_by_text(said).wait_for()
