"""Tables on a telephone: what people come for stands beside the name; times have one written form."""

from __future__ import annotations

import json
import threading
from pathlib import Path

import pytest
from playwright.sync_api import expect

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.intake.check import check_batch
from passage_cv.web import remembered
from passage_cv.web.people import Role
from passage_cv.web.tables import Batch, Made
from tests.batches import FACTS, trip_rows, write_batch
from tests.web.browser import CHROMIUM, NO_CHROMIUM
from tests.web.conftest import Office
from tests.web.indoors import ADDRESS, look_at, watching

pytestmark = pytest.mark.skipif(not CHROMIUM, reason=NO_CHROMIUM)
NARROW_PX = 360
"""The narrowest screen that the pages are for (issue 8)."""
AUDITED = {
    "code": "NSH",
    "kind": "miss",
    "n": 20,
    "errors": 3,
    "low": 0.03,
    "upper": 0.38,
    "limit": 0.05,
    "alarm": True,
}
STATUS = {
    "ok": False,
    "presentations": 40,
    "first": "2031-05-04T10:01:00-04:00",
    "last": "2031-05-04T23:30:00-04:00",
    "of_other_packages": 0,
    "actions": {"pass": 30, "hold": 10},
    "hold_reasons": {},
    "audits": {"looked_at": 20, "drawn": 20, "classes": [AUDITED]},
    "drift": {"baseline": None, "days": ["2031-05-04"], "signals": []},
}


def _furnish(office: Office) -> str:
    """A batch, cutoffs and a reading of a gate's log, as jobs leave them; the id of the last."""
    folder = office.settings.data / "made" / "status"
    folder.mkdir(parents=True)
    (folder / "status.json").write_text(json.dumps(STATUS), encoding="utf-8")
    facts = {"site": "Quillmarsh weir", "presentations": 40, "last": STATUS["last"], "alarms": ["audit"]}
    cut = {"u": 0.1, "v": None, "unmet": ["NSH"]}
    office.person("Rika", Role.TECHNICIAN)
    summary = {"must resolve": 2, "lines": 118, "pictures": 471}
    with office.server.sessions.begin() as db:
        db.add(Batch(owner_id=1, name="2031-05-11-RKV", facts={}, state="checked", summary=summary))
        db.add(Made(kind="cutoffs", title="Spring, one set-up", path="none", sources={}, facts=cut, who="Ada"))
        made = Made(kind="status", title="log", path="made/status", sources={}, facts=facts, who="Ada")
        db.add(made)
        db.flush()
        return str(made.id)


def test_what_people_come_for_is_on_the_screen_of_a_telephone(office: Office) -> None:
    status = _furnish(office)
    with watching(office.role(*Role)) as page:
        page.set_viewport_size({"width": NARROW_PX, "height": 900})
        page.goto(ADDRESS + "/batches")
        box = page.get_by_role("columnheader", name="To resolve", exact=True).bounding_box()
        assert box is not None
        assert box["x"] + box["width"] <= NARROW_PX, box
        for path in ("/cutoffs", f"/service/status/{status}", "/account", "/people", "/deeds", "/jobs"):
            page.goto(ADDRESS + path)
            look_at(page, f"narrow-{path.split('/')[1]}")
        page.goto(f"{ADDRESS}/service/status/{status}")
        expect(page.get_by_text("2031-05-04 14:01 UTC to 2031-05-05 03:30 UTC")).to_be_visible()
        assert "T10:01" not in page.content()


def test_each_line_of_a_list_is_a_block_that_names_its_cells(office: Office) -> None:
    """Nothing of a list lies beside a narrow screen, and it stays a table for those who hear the page."""
    status = _furnish(office)
    with watching(office.role(*Role)) as page:
        for path, heading in (("/cutoffs", "Limits"), (f"/service/status/{status}", "Alarm"), ("/people", "Roles")):
            page.set_viewport_size({"width": NARROW_PX, "height": 900})
            page.goto(ADDRESS + path)
            wide = page.locator(".list").first
            assert wide.evaluate("one => one.scrollWidth <= one.clientWidth"), path
            cell = wide.locator(f"td[data-label='{heading}']").first
            assert heading in cell.evaluate("one => getComputedStyle(one, '::before').content")
            box = cell.bounding_box()
            assert box is not None
            assert box["x"] + box["width"] <= NARROW_PX, (path, box)
            assert wide.get_by_role("table").get_by_role("row").get_by_role("cell").count() > 1
            page.set_viewport_size({"width": 1920, "height": 900})
            expect(wide.get_by_role("columnheader", name=heading, exact=True)).to_be_visible()


def test_a_page_that_had_to_be_prepared_comes_with_its_blocks(
    office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, may_end = Store.create(office.settings.store_root, StoreSettings()), threading.Event()
    accept_batch(check_batch(write_batch(tmp_path / "T1", trip_rows("T1", 3), FACTS)), store, author="TBO")
    counted = remembered._hold
    monkeypatch.setattr(remembered, "_hold", lambda version: may_end.wait(60) and counted(version))
    with watching(office.role(Role.RESEARCHER)) as page:
        page.set_viewport_size({"width": NARROW_PX, "height": 900})
        page.goto(ADDRESS + "/data/1")
        expect(page.get_by_text("It appears here by itself")).to_be_visible()
        may_end.set()
        expect(page.locator(".list td[data-label='Role']").first).to_be_visible()
