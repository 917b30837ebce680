"""Reader error beside model error: the rows, their intervals, and what stands where nobody has read again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.stats import beta

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.readings import next_blind, readings_of, record_reading
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.decision.calibrate import calibrate
from passage_cv.evaluation.assess import assess
from passage_cv.evaluation.readers import SecondReadings, naming_errors
from passage_cv.evaluation.report import render_report
from passage_cv.evaluation.values import evaluation_values
from passage_cv.intake.check import check_batch
from passage_cv.pipeline import second_readings
from tests.batches import trip_rows, write_batch
from tests.evaluation.pages import Page
from tests.worlds import five_class_policy, five_class_scores

READINGS = SecondReadings(read=60, differed=3, unsure=2, readers=2)


def test_both_rates_stand_with_their_exact_intervals() -> None:
    """Clopper and Pearson 1934, as SciPy's beta quantiles give them."""
    readers, model = naming_errors(READINGS, np.array([[50, 2], [1, 47]]), confidence=0.95)
    assert (readers.rate, model.rate) == (3 / 60, 3 / 100)
    for one, x, n in ((readers, 3, 60), (model, 3, 100)):
        ends = beta.ppf(0.025, x, n - x + 1), beta.ppf(0.975, x + 1, n - x)
        assert one.interval == pytest.approx(ends, rel=1e-9)


def test_a_row_needs_fish() -> None:
    nobody = SecondReadings(read=0, differed=0, unsure=4, readers=1)
    assert naming_errors(nobody, np.zeros((0, 0), dtype=np.intp), confidence=0.95) == ()


def test_the_report_shows_both_or_says_what_is_not_known() -> None:
    scores = five_class_scores(np.random.default_rng(1))
    cutoffs = calibrate(scores, five_class_policy())
    known, unknown = assess(scores, cutoffs, readings=READINGS), assess(scores, cutoffs)
    page, without = Page(render_report(known)), Page(render_report(unknown))
    assert page.row("second readers")[1:3] == ["60", "3"]
    assert page.row("the model")[1] == without.row("the model")[1]
    assert "could not tell 2 more" in page.text
    assert "reader error is not known" in without.text
    assert evaluation_values(known)["second_readings"]["differed"] == 3
    assert evaluation_values(unknown)["second_readings"] is None


def test_readings_come_from_the_store(tmp_path: Path) -> None:
    """Three fish read blind, one of them not told; nothing where nobody has read."""
    store = Store.create(tmp_path / "store", StoreSettings(unit="individual"))
    accept_batch(check_batch(write_batch(tmp_path / "batch", trip_rows("T1", 4))), store, author="TBO")
    assert second_readings(store) is None
    for name in ("NSH", "NSH", "unsure"):
        fish = next_blind(store, "ELQ")
        assert fish is not None
        record_reading(store, fish.token, reader="ELQ", name=name)
    found = second_readings(store)
    labels = [one.first for one in readings_of(store) if one.scientificName]
    assert found is not None
    assert (found.read, found.differed) == (2, labels.count("Amia calva"))
    assert (found.unsure, found.readers) == (1, 1)
