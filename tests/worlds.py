"""Invented score worlds with a known truth, shared by tests of decision, evaluation and gate.

Nothing here is a fish: logits are drawn so that the right answer is known in closed form or by construction.
"""

from __future__ import annotations

import numpy as np

from passage_cv.policy import ClassRule, Policy
from passage_cv.scores import Scores, build_scores

CODES = ("NSH", "BCF", "AMS", "BOW", "SNS")


def five_class_policy(**changes: object) -> Policy:
    """Two excluded classes, two that pass, one protected; limits 5 % at 95 %."""
    rules = (
        ClassRule(code="NSH", scientific_name="Channa argus", policy="exclude", pass_cost=20, miss_limit=0.05),
        ClassRule(code="BCF", scientific_name="Ictalurus furcatus", policy="exclude", pass_cost=10, miss_limit=0.05),
        ClassRule(code="AMS", scientific_name="Alosa sapidissima", policy="pass", reject_cost=5),
        ClassRule(code="BOW", scientific_name="Amia calva", policy="pass", reject_cost=5),
        ClassRule(
            code="SNS",
            scientific_name="Acipenser brevirostrum",
            policy="protected",
            reject_cost=50,
            false_rejection_limit=0.05,
        ),
    )
    return Policy.model_validate({"format": 1, "site": "QMR-KBW-01", "confidence": 0.95, "classes": rules, **changes})


def five_class_scores(
    rng: np.random.Generator,
    *,
    per_class: int = 300,
    separation: float = 4.0,
    n_trips: int = 30,
    meta: dict[str, object] | None = None,
) -> Scores:
    """One to three views per fish; NSH looks like BOW. Roles 0.4 / 0.4 / 0.2 by fish."""
    labels = np.repeat(np.arange(5), per_class)
    n = len(labels)
    centre = np.zeros((5, 5))
    np.fill_diagonal(centre, separation)
    centre[0, 3] = centre[3, 0] = separation * 0.6
    fish_logits = centre[labels] + rng.normal(0, 1.0, (n, 5))
    views = rng.integers(1, 4, n)
    rows = np.repeat(np.arange(n), views)
    trips = rng.integers(0, n_trips, n)
    role = np.array(["train", "train", "cut", "cut", "test"])[rng.permutation(n) % 5]
    return build_scores(
        "logit",
        CODES,
        fish_logits[rows] + rng.normal(0, 0.5, (len(rows), 5)),
        {
            "individual": [f"F{i:05d}" for i in rows],
            "class": [CODES[labels[i]] for i in rows],
            "role": role[rows],
            "trip": [f"T{trips[i]:02d}" for i in rows],
            "site": ["QMR-KBW-01"] * len(rows),
            "setup_id": ["demo-setup"] * len(rows),
            "image_sha256": [f"{i:064x}" for i in range(len(rows))],
        },
        meta=meta,
    )
