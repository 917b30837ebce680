"""Tests that may be looked at after every trial: Wald's test, anytime-valid evidence and its interval.

A fixed-size exact test repeated after each trial raises false alarms without end; the three tools here do
not. Counts come in, decisions and limits go out. Control charts live in ``charts.py``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import optimize, special

from passage_cv.errors import InputError
from passage_cv.stats.require import require_open, require_part

MIXTURE_FACTORS = (1.5, 2.0, 3.0, 5.0, 8.0)
"""Multiples of the limit that the mixture tests against (decision-method section 10)."""

_FAR = 700.0  # |log odds| at which a rate is 0 or 1 for every purpose in float64


@dataclass(frozen=True, slots=True)
class SprtPlan:
    """Wald's sequential probability ratio test of a low against a high rate.

    Parameters
    ----------
    low_rate, high_rate
        Rate to be accepted, rate to be caught; ``0 < low_rate < high_rate < 1``.
    alpha, beta
        Chance of calling the low rate high, and of calling the high rate low; sum below 1.

    Raises
    ------
    InputError
        If the rates or risks are not in that order.

    Notes
    -----
    Assumes: independent trials with one common rate. The risks are Wald's approximations, kept within the
    overshoot at the boundary.

    References
    ----------
    Wald 1945, Ann Math Stat 16:117; lines as in NIST/SEMATECH e-Handbook 6.2.6.

    Examples
    --------
    >>> plan = SprtPlan(low_rate=0.01, high_rate=0.10, alpha=0.05, beta=0.10)
    >>> plan.clean_trials_to_accept, plan.decide(0, 24), plan.decide(2, 10)
    (24, 'low', 'high')
    """

    low_rate: float
    high_rate: float
    alpha: float
    beta: float

    def __post_init__(self) -> None:
        if not 0 < self.low_rate < self.high_rate < 1:
            raise InputError(
                f"Rates are {self.low_rate} and {self.high_rate}", do="Give 0 < low_rate < high_rate < 1."
            )
        if not (0 < self.alpha < 1 and 0 < self.beta < 1 and self.alpha + self.beta < 1):
            raise InputError(f"Risks are {self.alpha} and {self.beta}", do="Give two risks, sum below 1.")

    @property
    def log_upper(self) -> float:
        """Log likelihood ratio at which the high rate is called: ``ln((1 - beta) / alpha)``."""
        return math.log((1 - self.beta) / self.alpha)

    @property
    def log_lower(self) -> float:
        """Log likelihood ratio at which the low rate is called: ``ln(beta / (1 - alpha))``."""
        return math.log(self.beta / (1 - self.alpha))

    @property
    def log_odds_ratio(self) -> float:
        """What one success adds over one failure to the log likelihood ratio."""
        return float(special.logit(self.high_rate) - special.logit(self.low_rate))

    @property
    def slope(self) -> float:
        """Slope of both lines: successes per trial between the two rates."""
        return -self._per_failure / self.log_odds_ratio

    @property
    def accept_intercept(self) -> float:
        """The low rate is called at or below ``slope * trials - accept_intercept`` successes."""
        return -self.log_lower / self.log_odds_ratio

    @property
    def refuse_intercept(self) -> float:
        """The high rate is called at or above ``slope * trials + refuse_intercept`` successes."""
        return self.log_upper / self.log_odds_ratio

    @property
    def clean_trials_to_accept(self) -> int:
        """First trial at which no success at all calls the low rate."""
        return math.ceil(self.accept_intercept / self.slope)

    def log_ratio(self, successes: int, trials: int) -> float:
        """Log likelihood ratio of the high against the low rate."""
        require_part(successes, trials)
        per_success = math.log(self.high_rate / self.low_rate)
        return successes * per_success + (trials - successes) * self._per_failure

    def decide(self, successes: int, trials: int) -> Literal["low", "high", "go on"]:
        """What the trials so far say; a decision once reached stands."""
        ratio = self.log_ratio(successes, trials)
        return "high" if ratio >= self.log_upper else "low" if ratio <= self.log_lower else "go on"

    def expected_trials(self) -> tuple[float, float]:
        """Wald's approximate mean number of trials under the low and under the high rate."""
        chances = ((self.low_rate, 1 - self.alpha), (self.high_rate, self.beta))
        low, high = (
            (accepted * self.log_lower + (1 - accepted) * self.log_upper)
            / (rate * math.log(self.high_rate / self.low_rate) + (1 - rate) * self._per_failure)
            for rate, accepted in chances
        )
        return low, high

    @property
    def _per_failure(self) -> float:
        return math.log1p(-self.high_rate) - math.log1p(-self.low_rate)


def log_evidence(successes: int, trials: int, *, limit: float, rate: float) -> float:
    """Log of the betting evidence for ``rate`` against a true rate of at most ``limit``.

    Parameters
    ----------
    successes, trials
        Counts so far.
    limit
        Rate that is claimed to hold, in (0, 1).
    rate
        Higher rate to bet on, in (limit, 1).

    Raises
    ------
    InputError
        If the counts or rates leave their ranges.

    Examples
    --------
    >>> round(log_evidence(4, 120, limit=0.01, rate=0.03), 10)  # decision-method 13, example 13
    2.0270200455
    """
    require_part(successes, trials)
    if not 0 < limit < rate < 1:
        raise InputError(f"Limit is {limit}, rate {rate}", do="Give 0 < limit < rate < 1.")
    return successes * math.log(rate / limit) + (trials - successes) * math.log1p((limit - rate) / (1 - limit))


def log_mixture_evidence(successes: int, trials: int, *, limit: float) -> float:
    """Log evidence that the rate is above ``limit``, averaged over :data:`MIXTURE_FACTORS` times it.

    Raise the alarm once it reaches ``ln(1 / delta)``: with a true rate at or below the limit that ever
    happens with probability at most delta, however often one looks (Ville 1939).

    Raises
    ------
    InputError
        If the counts cannot be, or ``limit`` is so large that no multiple of it is a rate.

    Notes
    -----
    Assumes: each trial's chance of success, given all earlier trials, is at most ``limit`` under the claim.

    Examples
    --------
    >>> round(log_mixture_evidence(6, 120, limit=0.01), 10)  # decision-method 13, example 13
    4.0974102084
    """
    rates = [factor * limit for factor in MIXTURE_FACTORS if factor * limit < 1]
    if not rates:
        raise InputError(f"Limit {limit} leaves no higher rate to test against", do="Give a limit below 2/3.")
    logs = [log_evidence(successes, trials, limit=limit, rate=rate) for rate in rates]
    return float(special.logsumexp(logs)) - math.log(len(logs))


def has_alarm(successes: int, trials: int, *, limit: float, delta: float) -> bool:
    """Whether the evidence against "the rate is at most ``limit``" has reached ``1 / delta``.

    Examples
    --------
    >>> [has_alarm(x, 120, limit=0.01, delta=0.05) for x in (4, 5, 6)]
    [False, False, True]
    """
    require_open(delta, "Delta")
    return log_mixture_evidence(successes, trials, limit=limit) >= -math.log(delta)


def anytime_interval(successes: int, trials: int, *, delta: float = 0.05) -> tuple[float, float]:
    """Interval of a rate that may be read after every trial.

    Returns
    -------
    tuple of float
        Limits that miss the true rate at any time, ever, with probability at most ``delta``.

    Raises
    ------
    InputError
        If the counts cannot be or ``delta`` is not in (0, 1).

    Notes
    -----
    All p with ``B(x + 1/2, t - x + 1/2) / B(1/2, 1/2) < p^x (1 - p)^(t - x) / delta`` (Robbins 1970).
    Assumes: independent trials with one common rate.

    Examples
    --------
    >>> low, upper = anytime_interval(1, 200)
    >>> f"{low:.8e}", round(upper, 10)  # decision-method 13, example 13
    ('5.00112791e-06', 0.0446936541)
    """
    require_part(successes, trials)
    require_open(delta, "Delta")
    if trials == 0:
        return 0.0, 1.0
    floor = float(special.betaln(successes + 0.5, trials - successes + 0.5) - special.betaln(0.5, 0.5)) + math.log(
        delta
    )

    def margin(log_odds: float) -> float:
        # successes or failures of 0 leave their (infinite) log out
        hit = successes * float(special.log_expit(log_odds)) if successes else 0.0
        miss = (trials - successes) * float(special.log_expit(-log_odds)) if trials > successes else 0.0
        return hit + miss - floor

    best = float(np.clip(special.logit(successes / trials), -_FAR, _FAR))
    low = 0.0 if successes == 0 else _edge(margin, -_FAR, best)
    upper = 1.0 if successes == trials else _edge(margin, _FAR, best)
    return low, upper


def _edge(margin: Callable[[float], float], outside: float, inside: float) -> float:
    root = optimize.brentq(margin, outside, inside, xtol=1e-12, rtol=1e-14)
    return float(special.expit(root))
