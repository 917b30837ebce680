"""The report before: what changed, rates side by side, and the same fish judged twice against a count by hand."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binomtest

from passage_cv.decision.calibrate import calibrate
from passage_cv.errors import InputError
from passage_cv.evaluation.assess import Assessment, assess
from passage_cv.evaluation.comparison import Earlier, compare, errors_of, read_earlier
from passage_cv.evaluation.report import write_report
from passage_cv.policy import Policy
from passage_cv.records import Action
from passage_cv.scores import Scores
from tests.worlds import five_class_policy, five_class_scores


def world(separation: float, model: str) -> Scores:
    scores = five_class_scores(np.random.default_rng(3), separation=separation)
    return replace(scores, meta={"model_sha256": model * 64, "version": f"00000{model}-abcdef012345"})


def loose_policy() -> Policy:
    """Limits so wide that both models make mistakes."""
    rules = [rule.model_dump(exclude_none=True) for rule in five_class_policy().classes]
    wide = [{**rule, **{key: 0.3 for key in rule if key.endswith("_limit")}} for rule in rules]
    return five_class_policy(classes=wide)


@pytest.fixture(scope="module")
def now() -> Assessment:
    scores = world(3.0, "2")
    return assess(scores, calibrate(scores, loose_policy()))


@pytest.fixture(scope="module")
def before() -> Assessment:
    scores = world(2.0, "1")
    return assess(scores, calibrate(scores, loose_policy()))


@pytest.fixture(scope="module")
def earlier(before: Assessment, tmp_path_factory: pytest.TempPathFactory) -> Earlier:
    out = tmp_path_factory.mktemp("before")
    write_report(before, out)
    return read_earlier(out)


def test_errors_are_the_wrong_final_actions(now: Assessment) -> None:
    wrong = errors_of(now)
    judged = now.judged
    for name, label, action in zip(judged.individuals.name, judged.individuals.label, judged.actions, strict=True):
        expected = action == (Action.PASS if label in ("NSH", "BCF") else Action.REJECT)
        assert wrong[str(name)] == expected
    assert sum(wrong.values()) == sum(count.errors for count in now.counts)


def test_what_changed_is_named(now: Assessment, earlier: Earlier) -> None:
    found = compare(now, earlier)
    changed = {name: (old, new) for name, old, new in found.changed}
    assert changed["model"] == ("1" * 19, "2" * 19)
    assert changed["data set version"] == ("000001-abcdef012345", "000002-abcdef012345")
    assert "policy" not in changed
    assert {"pass cutoff", "reject cutoff"} <= set(changed)
    assert found.was_checked


def test_rates_of_before_are_read_back_exactly(now: Assessment, before: Assessment, earlier: Earlier) -> None:
    found = compare(now, earlier)
    assert [old for old, _ in found.classes] == list(before.counts)
    assert [new for _, new in found.classes] == list(now.counts)


def test_the_same_fish_are_set_side_by_side(now: Assessment, before: Assessment, earlier: Earlier) -> None:
    old, new = errors_of(before), errors_of(now)
    labels = dict(zip(now.judged.individuals.name.tolist(), now.judged.individuals.label.tolist(), strict=True))
    discordant = 0
    for pair in compare(now, earlier).pairs:
        own = [name for name in new if (labels[name] in ("NSH", "BCF")) == (pair.group == "excluded")]
        only_before = [name for name in own if old[name] and not new[name]]
        only_now = [name for name in own if new[name] and not old[name]]
        assert (pair.both, pair.wrong_before, pair.wrong_now) == (len(own), len(only_before), len(only_now))
        discordant += len(only_before) + len(only_now)
        if only_before or only_now:
            expected = binomtest(len(only_now), len(only_before) + len(only_now), 0.5).pvalue
            assert pair.p_value == pytest.approx(expected, rel=1e-9)
    assert discordant > 0


def test_without_the_individuals_nothing_is_paired(now: Assessment, before: Assessment, tmp_path: Path) -> None:
    write_report(before, tmp_path)
    (tmp_path / "individuals.csv").unlink()
    found = compare(now, read_earlier(tmp_path / "evaluation.json"))
    assert found.pairs == ()
    assert found.classes[0][0] is not None


def test_other_fish_are_not_paired(now: Assessment, earlier: Earlier) -> None:
    strangers = {f"other-{name}": wrong for name, wrong in (earlier.errors or {}).items()}
    assert compare(now, replace(earlier, errors=strangers)).pairs == ()


@pytest.mark.parametrize("text", ["[]", '{"format": 2, "classes": []}', '{"format": 1}'])
def test_another_file_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "evaluation.json").write_text(text)
    with pytest.raises(InputError, match="no evaluation of format 1"):
        read_earlier(tmp_path)


def test_the_page_shows_it(now: Assessment, earlier: Earlier, tmp_path: Path) -> None:
    page = write_report(now, tmp_path, before=earlier).read_text(encoding="utf-8")
    assert "The report before" in page
    assert "went wrong only before" in page
    values = json.loads((tmp_path / "evaluation.json").read_text())
    assert values["model"] == "2" * 64
