"""Wald's test and anytime-valid limits against printed and independently computed numbers."""

import math
from collections.abc import Callable

from passage_cv.stats import sequential as s

TABLE = "sequential"
Row = dict[str, str]


def limits(plan: s.SprtPlan) -> tuple[float, ...]:
    return math.exp(plan.log_upper), math.exp(plan.log_lower), plan.log_upper, plan.log_lower


def lines(plan: s.SprtPlan) -> tuple[float, ...]:
    return plan.log_odds_ratio, plan.accept_intercept, plan.refuse_intercept, plan.slope


PLANS: dict[str, Callable[[s.SprtPlan], tuple[float, ...]]] = {
    "sprt limits": limits,
    "sprt lines": lines,
    "sprt clean trials": lambda plan: (plan.clean_trials_to_accept,),
    "sprt expected trials": lambda plan: plan.expected_trials(),
}


def test_sequential(row: Row, agrees: Callable[..., None]) -> None:
    low, high = float(row["low_rate"] or "nan"), float(row["high_rate"] or "nan")
    successes, trials = int(row["successes"] or 0), int(row["trials"] or 0)
    if row["quantity"] == "log evidence":
        agrees(row, s.log_evidence(successes, trials, limit=low, rate=high))
    elif row["quantity"] == "log mixture evidence":
        agrees(row, s.log_mixture_evidence(successes, trials, limit=low))
    elif row["quantity"] == "anytime interval":
        agrees(row, *s.anytime_interval(successes, trials, delta=0.05))
    else:
        plan = s.SprtPlan(low_rate=low, high_rate=high, alpha=0.05, beta=0.10)
        agrees(row, *PLANS[row["quantity"]](plan))
