"""Caps and floors against a published program for one-sided nonparametric tolerance bounds.

Scores are 1, 2, … n. The program (toleranceinterval 1.0.3) cannot be among our test dependencies: it installs a
package called ``tests`` that hides ours. Its answers were written down instead; where it has none, 0 stands.
"""

import math
from collections.abc import Callable

import numpy as np

from passage_cv.decision.guarantee import miss_cap, rejection_floor

TABLE = "caps"


def test_caps(row: dict[str, str], agrees: Callable[..., None]) -> None:
    scores = np.arange(1.0, int(row["individuals"]) + 1)
    find = miss_cap if row["quantity"] == "cap" else rejection_floor
    cutoff = find(scores, limit=float(row["limit"]), delta=1 - float(row["confidence"])).cutoff
    agrees(row, cutoff if math.isfinite(cutoff) else 0.0)
