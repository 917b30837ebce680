"""A few fish with ready gate scores, so that every action is known by hand: pass below -1, reject above 1."""

from __future__ import annotations

import numpy as np

from passage_cv.decision.calibrate import calibrate
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.scores import Scores, build_scores
from tests.worlds import five_class_policy

PASS, HOLD, REJECT = -2.0, 0.0, 2.0

FISH = (
    # class, trip, score, how many; all of role test
    ("NSH", "T1", PASS, 1),
    ("NSH", "T1", HOLD, 2),
    ("NSH", "T2", REJECT, 7),
    ("BCF", "T2", REJECT, 4),
    ("AMS", "T1", PASS, 8),
    ("AMS", "T2", REJECT, 3),
    ("SNS", "T2", HOLD, 5),
    ("unknown", "T1", HOLD, 2),
    ("unknown", "T1", REJECT, 1),
)
"""Counted by hand: NSH 10 shown, 1 passed; BCF 4, 0; AMS 11, 3 rejected; SNS 5, 0; 3 of no class, 1 not held."""


def small_scores(role: str = "test", **columns: object) -> Scores:
    """One image per fish, and 400 ``cut`` fish of every class that make cutoffs possible."""
    rows = [(name, trip, score, role) for name, trip, score, count in FISH for _ in range(count)]
    rng = np.random.default_rng(4)
    for name, centre in (("NSH", 3.0), ("BCF", 3.0), ("AMS", -3.0), ("BOW", -3.0), ("SNS", -3.0)):
        rows += [(name, f"C{i % 8}", centre + rng.normal(), "cut") for i in range(400)]
    names, trips, score, roles = zip(*rows, strict=True)
    return build_scores(
        "gate_score",
        (),
        np.array(score)[:, None],
        {
            "individual": [f"fish-{i}" for i in range(len(rows))],
            "class": list(names),
            "trip": list(trips),
            "role": list(roles),
            "image_sha256": [f"{i:064x}" for i in range(len(rows))],
            **columns,
        },
    )


def small_cutoffs(scores: Scores) -> Cutoffs:
    """Cutoffs of the policy, moved to where the hand counts need them."""
    found = calibrate(scores, five_class_policy())
    return found.model_copy(update={"u": -1.0, "v": 1.0})
