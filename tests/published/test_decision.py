"""Cost thresholds, prior shifts and hold bands against numbers worked out without our code (check-values H)."""

import math
from collections.abc import Callable

import numpy as np
from scipy.special import expit
from scipy.stats import norm

from passage_cv.decision.costs import ClassCosts, bayes_cutoffs, gate_scores, site_log_probs
from passage_cv.decision.cutoffs import Costs, cost_at, search_cutoffs

TABLE = "decision"
Row = dict[str, str]


def test_decision(row: Row, agrees: Callable[..., None]) -> None:
    checks = {
        "cost threshold": threshold,
        "prior change": prior_change,
        "hold band": hold_band,
        "two normals": two_normals,
        "least expected cost": least_expected_cost,
    }
    agrees(row, *checks[row["quantity"]](row))


def probability_at(score: float, pass_cost: float, reject_cost: float) -> float:
    """The excluded class's probability at which the gate score takes a value, found from the score itself."""
    at_half = gate_scores(np.log([[0.5, 0.5]]), two_classes(pass_cost, reject_cost))[0]
    probability = float(expit(score - at_half))
    again = gate_scores(np.log([[probability, 1 - probability]]), two_classes(pass_cost, reject_cost))[0]
    assert math.isclose(again, score, abs_tol=1e-9)
    return probability


def two_classes(pass_cost: float, reject_cost: float) -> ClassCosts:
    return ClassCosts(
        classes=("excluded", "wanted"),
        excluded=np.array([True, False]),
        shares=np.array([0.5, 0.5]),
        error=np.array([pass_cost, reject_cost]),
        hold=np.ones(2),
    )


def costs_of(row: Row) -> tuple[float, float, float]:
    return float(row["pass_cost"]), float(row["reject_cost"]), float(row["hold_cost"] or 0)


def threshold(row: Row) -> list[float]:
    pass_cost, reject_cost, _ = costs_of(row)
    return [probability_at(0.0, pass_cost, reject_cost)]


def prior_change(row: Row) -> list[float]:
    probs, ratios = (np.array(row[name].split(), dtype=float) for name in ("probabilities", "ratios"))
    moved = np.exp(site_log_probs(np.log(probs)[None, :], ratios / ratios.sum()))
    return [float(value) for value in moved[0]]


def hold_band(row: Row) -> list[float]:
    pass_cost, reject_cost, hold_cost = costs_of(row)
    cutoffs = bayes_cutoffs(hold_cost / pass_cost, hold_cost / reject_cost)
    return [probability_at(cutoff, pass_cost, reject_cost) for cutoff in cutoffs]


def least_expected_cost(row: Row) -> list[float]:
    """A population of one score with these shares: what each action costs for all, and what the search takes."""
    columns = (np.array(row[name].split(), dtype=float) for name in ("pass_cost", "reject_cost", "hold_cost"))
    shares = np.array(row["probabilities"].split(), dtype=float)
    on_pass, on_reject, on_hold = (shares * column for column in columns)
    score, costs = np.zeros(len(shares)), Costs(on_pass, on_hold, on_reject)
    pairs = ((1.0, 1.0), (-1.0, -1.0), (-1.0, 1.0))
    given = [cost_at(score, score, costs, u=u, v=v) for u, v in pairs]
    return [*given, search_cutoffs(score, score, costs).cost]


def two_normals(row: Row) -> list[float]:
    """N(-1, 1) against N(1, 1), equal shares: the log-odds at x are 2 x."""
    pass_cost, reject_cost, hold_cost = costs_of(row)
    u, v = bayes_cutoffs(hold_cost / pass_cost, hold_cost / reject_cost)
    error = float(norm.cdf(u / 2 - 1))
    held = float(norm.cdf(v / 2 - 1) - norm.cdf(u / 2 - 1))
    return [v / 2, error, held, 1 - error - held]
