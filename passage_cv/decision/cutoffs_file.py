"""The cutoffs file (format 5): what the decision stage hands to evaluation and to the gate.

Numbers are exact (JSON writes the shortest text that reads back to the same float64). ``null`` means that
nothing is allowed: with ``u`` null nothing passes, with ``v`` null nothing is rejected.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from passage_cv.config import Settings, parse_settings
from passage_cv.decision.costs import ClassCosts
from passage_cv.files import read_json, write_json
from passage_cv.policy import Group, Views


class LimitShown(Settings):
    """One limit of one class: what was asked, on how many fish, and whether it could be shown."""

    class_: Annotated[str, Field(alias="class")]
    kind: Literal["miss", "false rejection", "pooled miss"]
    n: int
    trips: int
    k: int
    limit: float
    confidence: float
    mode: Literal["fish", "trip", "between-trips"]
    met: bool
    missing_in_cut: int
    missing_to_image: int
    assumes: str


class ClassCost(Settings):
    """What the wrong final action and a hold cost for one class."""

    error: float
    hold: float


UnfamiliarityFrom = Literal["logits", "model"]
"""Their centred energy, wherever the logits are; or an output of the model, to be given with them."""


class HoldRules(Settings):
    """Rules fixed before ``cut`` was read that hold a fish whatever its score.

    ``unfamiliarity_from`` says where a gate has it from; with neither it came with the scores and no gate has it.
    """

    views_min: int = 1
    unfamiliarity_above: float | None = None
    unfamiliarity_from: UnfamiliarityFrom | None = None
    never_reject_above: dict[str, float] = Field(default_factory=dict)


class ExpectedCost(Settings):
    """Expected cost per presentation at the site's shares, of the chosen cutoffs and of what they replaced."""

    chosen: float
    without_limits: float
    hold_all: float


class HoldLoad(Settings):
    """Expected share of presentations held at the site's shares, and what keeping it low costs.

    ``least_share`` is what the limits leave possible; fish that a camera rule holds at the gate come on top. The
    other keys are null where the policy gives no capacity. ``price_per_hour`` is what the capacity costs over
    cutoffs without it, ``next_fish_per_hour`` what one more fish cleared per hour would save.
    """

    share: float
    least_share: float
    presentations_per_hour: float | None = None
    per_hour: float | None = None
    capacity_per_hour: float | None = None
    met: bool | None = None
    price_per_hour: float | None = None
    next_fish_per_hour: float | None = None


class Cutoffs(Settings):
    """Everything that turns logits into an action, and what was shown about it.

    ``quality_weights`` says that views of one fish had unequal weights when the cutoffs were set: the limits then
    hold only for a gate that weighs its views in the same way. ``confirmed_only`` holds the classes of which the
    policy wants confirmed individuals alone judged; files before 2026-11-25 and policies that do not ask have none.
    """

    format: Literal[1] = 1
    created: str
    author: str
    site: str
    policy_sha256: str
    scores_sha256: str
    model: str
    version: str
    score_kind: Literal["logit", "prob", "gate_score"]
    classes: tuple[str, ...]
    groups: dict[str, Group]
    beta: float
    rho: float
    offsets: dict[str, float]
    shares: dict[str, float]
    costs: dict[str, ClassCost]
    views: Views
    hold_rules: HoldRules
    reject_to: str
    sites: tuple[str, ...]
    setup_ids: tuple[str, ...]
    u: float | None
    v: float | None
    u_cap: float | None = None
    v_floor: float | None = None
    eps: float
    delta_miss: float
    delta_rejection: float
    expected_cost: ExpectedCost
    attempt: int
    limits: tuple[LimitShown, ...]
    warnings: tuple[str, ...]
    pooled_limit: LimitShown | None = None
    hold_load: HoldLoad | None = None
    quality_weights: bool = False
    confirmed_only: tuple[str, ...] = ()

    @property
    def gate_u(self) -> np.float32:
        """The largest float32 not above u - eps; -inf where nothing passes (decision-method 11)."""
        return np.float32(-math.inf) if self.u is None else round_down(self.u - self.eps)

    @property
    def gate_v(self) -> np.float32:
        """The smallest float32 not below v + eps; +inf where nothing is rejected."""
        return np.float32(math.inf) if self.v is None else -round_down(-(self.v + self.eps))

    @property
    def gate_unfamiliarity(self) -> float | None:
        """Unfamiliarity above which the gate holds: lower by eps, so that it holds whatever was held here."""
        above = self.hold_rules.unfamiliarity_above
        return None if above is None else above - self.eps

    @property
    def unmet(self) -> tuple[LimitShown, ...]:
        """Limits that could not be shown."""
        return tuple(limit for limit in self.asked if not limit.met)

    @property
    def asked(self) -> tuple[LimitShown, ...]:
        """Every limit, that of the excluded classes together last."""
        return (*self.limits, self.pooled_limit) if self.pooled_limit else self.limits

    @property
    def class_costs(self) -> ClassCosts:
        """The costs and shares as arrays in the class order."""
        return ClassCosts(
            classes=self.classes,
            excluded=np.array([self.groups[name] == "exclude" for name in self.classes]),
            shares=np.array([self.shares[name] for name in self.classes]),
            error=np.array([self.costs[name].error for name in self.classes]),
            hold=np.array([self.costs[name].hold for name in self.classes]),
        )


def round_down(value: float) -> np.float32:
    """The largest float32 that is not above a float64.

    Examples
    --------
    >>> bool(np.float64(round_down(0.8)) <= 0.8), bool(np.float64(np.float32(0.8)) <= 0.8)
    (True, False)
    """
    near = np.float32(value)
    return np.nextafter(near, np.float32(-math.inf)) if np.float64(near) > value else near


def write_cutoffs(cutoffs: Cutoffs, path: Path) -> str:
    """Write a cutoffs file and return its SHA-256; a limit that was not asked leaves its key out."""
    values: dict[str, Any] = cutoffs.model_dump(mode="json", by_alias=True)
    on_rejecting = {limit.kind == "false rejection" for limit in cutoffs.asked}
    for key, is_asked in (("u_cap", False in on_rejecting), ("v_floor", True in on_rejecting)):
        if not is_asked:
            del values[key]
    if values["hold_rules"]["unfamiliarity_from"] is None:
        del values["hold_rules"]["unfamiliarity_from"]
    for key in ("pooled_limit", "hold_load", "quality_weights", "confirmed_only"):
        if not values[key]:
            del values[key]
    return write_json(path, values)


def read_cutoffs(path: Path) -> Cutoffs:
    """Read and check a cutoffs file.

    Raises
    ------
    InputError
        If it is missing, is not JSON, or has a missing or unknown key.
    """
    return parse_settings(read_json(path), Cutoffs, where=str(path))
