"""The what-if page computes what the decision stage computes: its script under node against the Python code."""

from __future__ import annotations

import json
import math
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import passage_cv.evaluation
from passage_cv.decision.calibrate import calibrate
from passage_cv.decision.calibration import ModelCalibration
from passage_cv.decision.combine import Individuals
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.decision.demands import (
    Capacity,
    Demands,
    demands_in,
    with_error_cost,
    with_excluded_share,
    with_hold_cost,
    with_limit,
)
from passage_cv.decision.guarantee import fish_needed
from passage_cv.decision.outcome import Outcome, weigh
from passage_cv.evaluation.whatif import MOST_FISH, what_if
from passage_cv.policy import Policy
from passage_cv.scores import Scores
from passage_cv.stats.binomial import allowed_rank
from tests.evaluation.small_world import small_cutoffs, small_scores
from tests.worlds import five_class_policy, five_class_scores

SCRIPT = Path(passage_cv.evaluation.__file__).parent / "templates" / "whatif.js"
needs_node = pytest.mark.skipif(shutil.which("node") is None, reason="node is not installed")


def in_node(call: str, *values: object) -> Any:  # noqa: ANN401 - JSON has no narrower static type
    """Evaluate an expression of WhatIf with JSON values ``a``, ``b``, … and give its JSON value."""
    names = "abcdefg"[: len(values)]
    source = (
        f"const WhatIf = require({json.dumps(str(SCRIPT))});"
        "const given = JSON.parse(require('fs').readFileSync(0, 'utf8'));"
        f"const [{', '.join(names)}] = given;"
        f"const found = {call};"
        "console.log(JSON.stringify(found, (_, x) => typeof x === 'number' && !Number.isFinite(x) ? String(x) : x));"
    )
    done = subprocess.run(
        ["node", "-e", source], input=json.dumps(values), capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def number(value: float | str) -> float:
    return float(value.replace("Infinity", "inf")) if isinstance(value, str) else value


def page_demands(demands: Demands) -> dict[str, Any]:
    """What the page hands to its script."""
    return {
        "error": demands.costs.error.tolist(),
        "hold": demands.costs.hold.tolist(),
        "shares": demands.costs.shares.tolist(),
        "limits": [
            {"code": one.code, "kind": one.kind, "rate": one.rate, "delta": one.delta} for one in demands.limits
        ],
        "mostHeld": demands.capacity.most_held if demands.capacity else None,
    }


def page_fish(values: dict[str, Any], cutoffs: Cutoffs) -> Individuals:
    """The page's own rounded fish as individuals, so that both sides compute from the same numbers."""
    fish = values["fish"]
    n = len(fish["label"])
    is_gate_score = "score" in fish
    return Individuals(
        classes=() if is_gate_score else cutoffs.classes,
        is_gate_score=is_gate_score,
        values=np.array(fish["score"])[:, None] if is_gate_score else np.array(fish["logp"]),
        n_views=np.ones(n, dtype=np.intp),
        first_row=np.arange(n),
        text={
            "class": np.array([cutoffs.classes[k] for k in fish["label"]]),
            "trip": np.array([f"T{t:04d}" if t >= 0 else "" for t in fish["trip"]]),
        },
        numbers={"unfamiliarity": np.full(n, np.nan)},
        hold_reason=np.where(np.array(fish["held"]) == 1, "held", "").astype(np.str_),
    )


def agree(found: dict[str, Any], expected: Outcome) -> None:
    for key, value in (
        ("u", expected.choice.u),
        ("v", expected.choice.v),
        ("cost", expected.choice.cost),
        ("uCap", expected.u_cap),
        ("vFloor", expected.v_floor),
        ("withoutLimits", expected.without_limits),
        ("holdAll", expected.hold_all),
        ("held", expected.hold.share),
        ("leastHeld", expected.hold.least),
    ):
        assert number(found[key]) == pytest.approx(value, rel=1e-7, abs=1e-7), key
    assert found["capacityMet"] == expected.hold.met
    if expected.hold.price is not None:
        assert found["capacityPrice"] == pytest.approx(expected.hold.price, abs=1e-9)


@pytest.fixture(scope="module")
def scores() -> Scores:
    return five_class_scores(np.random.default_rng(12), separation=3.0, n_trips=160)


def variations(demands: Demands) -> list[Demands]:
    first, last = demands.limits[0], demands.limits[-1]
    return [
        demands,
        with_limit(demands, first, 0.2),
        with_limit(demands, first, 0.005),
        with_limit(demands, last, 0.3),
        with_error_cost(demands, "AMS", 40.0),
        with_error_cost(demands, "NSH", 0.5),
        with_hold_cost(demands, 6.0),
        with_excluded_share(demands, 0.6),
        *(replace(demands, capacity=Capacity(100, held)) for held in (3.0, 12.0, 25.0, 60.0)),
    ]


@needs_node
@pytest.mark.parametrize("mode", ["fish", "trip", "between-trips"])
def test_script_and_package_agree(scores: Scores, mode: str) -> None:
    policy = five_class_policy(mode=mode)
    cutoffs = calibrate(scores, policy)
    page = what_if(scores, cutoffs)
    assert page is not None
    fish = page_fish(dict(page.values), cutoffs)
    moved = variations(demands_in(cutoffs))
    found = in_node("b.map((one) => WhatIf.weigh(a, one))", page.values, [page_demands(one) for one in moved])
    decided = 0
    for one, result in zip(moved, found, strict=True):
        expected = weigh(fish, ModelCalibration(), one)
        agree(result, expected)
        decided += math.isfinite(expected.u_cap)
    assert decided >= 5, "most of these variations must not be mere refusals"


def spared_policy() -> Policy:
    rules = [rule.model_dump(exclude_none=True) for rule in five_class_policy().classes]
    rules[4] = {**rules[4], "never_reject_above": 0.01}
    del rules[4]["false_rejection_limit"]
    return five_class_policy(classes=rules, pooled_miss_limit=0.04)


@needs_node
@pytest.mark.parametrize("policy", [spared_policy(), five_class_policy(pooled_miss_limit=0.03)])
def test_protection_and_pooled_limit_agree(scores: Scores, policy: Policy) -> None:
    held = np.where(np.arange(len(scores)) % 40 == 0, "unknown", "").astype(str)
    some_held = replace(scores, text={**scores.text, "hold_reason": held})
    cutoffs = calibrate(some_held, policy)
    page = what_if(some_held, cutoffs)
    assert page is not None
    assert sum(page.values["fish"]["held"]) > 5
    demands = demands_in(cutoffs)
    found = in_node("WhatIf.weigh(a, b)", page.values, page_demands(demands))
    agree(found, weigh(page_fish(dict(page.values), cutoffs), ModelCalibration(), demands))


@needs_node
def test_ready_gate_scores_agree() -> None:
    base = small_scores()
    role = np.where((base.role == "cut") & (np.arange(len(base)) % 2 == 0), "train", base.role).astype(str)
    scores = replace(base, text={**base.text, "role": role})
    cutoffs = small_cutoffs(scores)
    page = what_if(scores, cutoffs)
    assert page is not None
    assert (page.shown, page.fish) == (1000, 1000)
    demands = demands_in(cutoffs)
    found = in_node("WhatIf.weigh(a, b)", page.values, page_demands(demands))
    agree(found, weigh(page_fish(dict(page.values), cutoffs), ModelCalibration(), demands))


@needs_node
def test_ranks_and_numbers_needed_agree() -> None:
    asked = [
        (n, limit, delta) for n in (0, 1, 58, 59, 300, 2999) for limit in (0.3, 0.05, 0.01) for delta in (0.05, 0.025)
    ]
    ranks = in_node("a.map(([n, limit, delta]) => WhatIf.allowedRank(n, limit, delta))", asked)
    assert ranks == [allowed_rank(n, limit=limit, delta=delta) for n, limit, delta in asked]
    limits = [(limit, delta, mode) for _, limit, delta in asked for mode in ("fish", "between-trips")]
    needed = in_node("a.map(([limit, delta, mode]) => WhatIf.needed(limit, delta, mode))", limits)
    assert needed == [fish_needed(limit, delta, mode) for limit, delta, mode in limits]  # type: ignore[arg-type]


def test_the_page_holds_no_fish_of_cut_or_test(scores: Scores) -> None:
    cutoffs = calibrate(scores, five_class_policy())
    with_all, without = what_if(scores, cutoffs), what_if(scores.where(scores.role != "test"), cutoffs)
    assert with_all is not None
    assert without is not None
    assert with_all.values == without.values
    assert with_all.fish == len(np.unique(scores.individual[scores.role == "train"]))
    counted = {code: with_all.values["in_cut"][code] for code in cutoffs.classes}
    cut = scores.with_role("cut")
    assert counted == {code: len(np.unique(cut.individual[cut.label == code])) for code in cutoffs.classes}


def test_without_train_fish_there_is_no_page(scores: Scores) -> None:
    bare = scores.where(scores.role != "train")
    assert what_if(bare, calibrate(bare, five_class_policy())) is None


def test_many_fish_are_thinned_and_counted() -> None:
    many = five_class_scores(np.random.default_rng(2), per_class=2000)
    cutoffs = calibrate(many.where(many.role != "train"), five_class_policy())
    page = what_if(many, cutoffs)
    assert page is not None
    assert (page.shown, page.fish) == (MOST_FISH, 4000)
