"""Our model calibration against scikit-learn's temperature scaling, and a real data set through the decision stage.

Sources: scikit-learn (temperature scaling of CalibratedClassifierCV; the digits scans it ships, from the UCI
"Optical Recognition of Handwritten Digits" test set).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import log_softmax
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.calibration import CalibratedClassifierCV
from sklearn.datasets import load_digits
from sklearn.frozen import FrozenEstimator
from sklearn.linear_model import LogisticRegression

from passage_cv.decision.calibrate import calibrate
from passage_cv.decision.calibration import fit_temperature
from passage_cv.evaluation.assess import assess
from passage_cv.policy import Policy
from passage_cv.scores import Scores, build_scores


class Ready(ClassifierMixin, BaseEstimator):
    """Hands given logits through, so that the library calibrates exactly what we do."""

    def __init__(self, n_classes: int = 3) -> None:
        self.n_classes = n_classes

    def fit(self, logits: np.ndarray, labels: np.ndarray) -> Ready:
        self.classes_ = np.arange(self.n_classes)
        return self

    def decision_function(self, logits: np.ndarray) -> np.ndarray:
        return logits

    def predict(self, logits: np.ndarray) -> np.ndarray:
        return logits.argmax(axis=1)


@pytest.mark.parametrize("seed", range(5))
def test_temperature_matches_scikit_learn(seed: int) -> None:
    rng = np.random.default_rng(seed)
    labels = rng.integers(0, 3, 400)
    logits = np.eye(3)[labels] * rng.uniform(0.5, 4) + rng.normal(0, 1.5, (400, 3))
    model = FrozenEstimator(Ready().fit(logits, labels))
    fitted = CalibratedClassifierCV(model, method="temperature").fit(logits, labels)
    expected = np.log(fitted.predict_proba(logits))
    found = log_softmax(fit_temperature(logits, labels) * logits, axis=1)
    assert np.allclose(found, expected, atol=1e-3)  # scikit-learn stops its own search at a relative 1e-4 or so


@pytest.fixture(scope="module")
def digits() -> Scores:
    """Logits of a deliberately weak model on 1,797 scans; "3" stands for the excluded class."""
    scans, labels = load_digits(return_X_y=True)
    rng = np.random.default_rng(0)
    blurred = scans.reshape(-1, 8, 8)[:, ::2, ::2].reshape(len(scans), -1) + rng.normal(0, 2.0, (len(scans), 16))
    role = np.array(["train", "train", "cut", "cut", "test"])[rng.permutation(len(scans)) % 5]
    fit, own = rng.random(len(scans)) < 0.5, role == "train"
    first, second = (
        LogisticRegression(max_iter=2000).fit(blurred[own & half], labels[own & half]) for half in (fit, ~fit)
    )
    both = LogisticRegression(max_iter=2000).fit(blurred[own], labels[own])
    logits = both.decision_function(blurred)
    logits[own & fit] = second.decision_function(blurred[own & fit])
    logits[own & ~fit] = first.decision_function(blurred[own & ~fit])
    names = [f"digit-{i}" for i in range(10)]
    columns = {
        "individual": [f"scan-{i}" for i in range(len(scans))],
        "class": [names[label] for label in labels],
        "role": role,
    }
    return build_scores("logit", names, logits, columns)


def digit_policy(limit: float) -> Policy:
    three = {"code": "digit-3", "scientific_name": "3", "policy": "exclude", "pass_cost": 20, "miss_limit": limit}
    others = [
        {"code": f"digit-{i}", "scientific_name": str(i), "policy": "pass", "reject_cost": 5}
        for i in range(10)
        if i != 3
    ]
    return Policy.model_validate(
        {"format": 1, "site": "digits", "confidence": 0.95, "views": {"max": 1}, "classes": [three, *others]}
    )


def test_real_scans_pass_through_decision_and_evaluation(digits: Scores) -> None:
    cutoffs = calibrate(digits, digit_policy(0.10))
    assert cutoffs.limits[0].met
    assert cutoffs.u is not None
    report = assess(digits, cutoffs)
    three = report.counts[0]
    assert (three.code, three.group) == ("digit-3", "exclude")
    assert 25 <= three.shown <= 50  # 183 threes, a fifth in test
    assert report.accuracy is not None
    assert 0.6 < report.accuracy < 0.95
    assert sum(count.passed for count in report.counts[1:]) > 0
    assert three.errors <= 0.3 * three.shown


def test_real_scans_refuse_a_limit_they_cannot_show(digits: Scores) -> None:
    cutoffs = calibrate(digits, digit_policy(0.01))
    assert cutoffs.u is None
    assert cutoffs.limits[0].missing_in_cut == 299 - cutoffs.limits[0].n  # 299: success-run theorem, 1 % at 95 %
