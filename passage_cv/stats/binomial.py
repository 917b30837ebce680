"""Exact limits and sample sizes for a proportion, and the counts a limit allows.

Counts and probabilities come in, limits and counts go out; nothing here knows what was counted. Every limit
is for independent trials with one common rate. Where a limit carries a claim it is exact (Clopper-Pearson):
its chance of being broken never exceeds what was asked. The Wilson interval is for pictures, not for claims.
"""

from __future__ import annotations

import math

from scipy import special

from passage_cv.errors import InputError
from passage_cv.stats.require import require_count, require_open, require_part


def probability_at_most(successes: int, trials: int, rate: float) -> float:
    """Probability of at most this many successes in independent trials.

    Parameters
    ----------
    successes
        Count asked about; below 0 gives 0, ``trials`` or more gives 1.
    trials
        Number of trials, at least 0.
    rate
        Chance of a success in one trial, in [0, 1].

    Raises
    ------
    InputError
        If ``trials`` is negative or ``rate`` is no probability.

    Notes
    -----
    ``P(Bin(n, p) <= k)`` is the upper tail of a beta law at ``p``: ``1 - I_p(k + 1, n - k)``.

    Examples
    --------
    >>> round(probability_at_most(8, 300, 0.05), 10)  # decision-method 13, example 2
    0.0340658135
    """
    require_count(trials, "Number of trials")
    if not 0 <= rate <= 1:
        raise InputError(f"Rate is {rate}, allowed is 0 to 1", do="Give a probability.")
    return _at_most(successes, trials, rate)


def exact_interval(successes: int, trials: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Two-sided exact interval of a rate, tail ``(1 - confidence) / 2`` on each side.

    Parameters
    ----------
    successes
        Trials in which it happened; ``0 <= successes <= trials``.
    trials
        Independent trials; 0 gives the interval that knows nothing, (0, 1).
    confidence
        Two-sided, in (0, 1).

    Returns
    -------
    tuple of float
        Lower and upper limit in [0, 1].

    Raises
    ------
    InputError
        If the counts cannot come from one experiment, or ``confidence`` is not in (0, 1).

    References
    ----------
    Clopper & Pearson 1934, Biometrika 26:404.

    Examples
    --------
    >>> low, upper = exact_interval(3, 250)
    >>> round(low, 10), round(upper, 10)  # decision-method 13, example 12
    (0.0024815583, 0.0346666146)
    """
    _require(successes, trials, confidence)
    tail = (1 - confidence) / 2
    return _lower(successes, trials, tail), _upper(successes, trials, tail)


def upper_limit(successes: int, trials: int, *, confidence: float = 0.95) -> float:
    """Exact one-sided upper limit of a rate; arguments and errors as :func:`exact_interval`.

    Examples
    --------
    >>> round(upper_limit(0, 59), 10)  # decision-method 13, example 12
    0.0495076099
    """
    _require(successes, trials, confidence)
    return _upper(successes, trials, 1 - confidence)


def lower_limit(successes: int, trials: int, *, confidence: float = 0.95) -> float:
    """Exact one-sided lower limit of a rate; arguments and errors as :func:`exact_interval`.

    Examples
    --------
    >>> lower_limit(0, 59)
    0.0
    >>> round(lower_limit(59, 59), 10)  # 1 - 0.0495076099, by symmetry
    0.9504923901
    """
    _require(successes, trials, confidence)
    return _lower(successes, trials, 1 - confidence)


def wilson_interval(successes: int, trials: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Score interval of a rate: short and centred, but its coverage can fall below ``confidence``.

    For pictures and for comparing many small groups; a claim needs :func:`exact_interval`. Arguments and
    errors as there.

    References
    ----------
    Wilson 1927, J Am Stat Assoc 22:209; limits of Newcombe 1998, Stat Med 17:857.

    Examples
    --------
    >>> low, upper = wilson_interval(81, 263)
    >>> round(low, 4), round(upper, 4)  # Newcombe 1998
    (0.2553, 0.3662)
    """
    _require(successes, trials, confidence)
    if trials == 0:
        return 0.0, 1.0
    z = -float(special.ndtri((1 - confidence) / 2))
    centre = (successes + z * z / 2) / (trials + z * z)
    spread = successes * (trials - successes) / trials + z * z / 4
    half = z * math.sqrt(spread) / (trials + z * z)
    low = 0.0 if successes == 0 else max(0.0, centre - half)
    upper = 1.0 if successes == trials else min(1.0, centre + half)
    return low, upper


def allowed_rank(trials: int, *, limit: float, delta: float) -> int:
    """Rank k* of the sorted scores at which a cutoff still keeps ``limit``; k* - 1 misses are allowed.

    Parameters
    ----------
    trials
        Independent individuals of one class, at least 0.
    limit
        Largest rate to be allowed, in (0, 1).
    delta
        Allowed chance that the true rate is above ``limit`` all the same, in (0, 1).

    Returns
    -------
    int
        ``max{k : P(Bin(trials, limit) <= k - 1) <= delta}``; 0 where even no miss at all shows too little.

    Raises
    ------
    InputError
        If an argument leaves its range.

    Notes
    -----
    Assumes: individuals are independent draws from those the gate will meet, and the scores were not used to
    choose the model. Decision-method section 6 has the proof.

    Examples
    --------
    >>> [allowed_rank(n, limit=0.05, delta=0.05) for n in (58, 59, 300)]  # decision-method 13, 1 and 2
    [0, 1, 9]
    """
    require_count(trials, "Number of trials")
    require_open(limit, "Limit")
    require_open(delta, "Delta")
    # P(Bin <= n) = 1 > delta always, so the answer lies in [0, trials].
    enough, too_many = -1, trials
    while too_many - enough > 1:
        middle = (enough + too_many) // 2
        if _at_most(middle, trials, limit) <= delta:
            enough = middle
        else:
            too_many = middle
    return enough + 1


def trials_needed(*, limit: float, delta: float, misses: int = 0) -> int:
    """Smallest number of trials that shows a rate of at most ``limit`` with ``misses`` allowed.

    Parameters
    ----------
    limit
        Rate to be shown, in (0, 1).
    delta
        Allowed chance of a wrong claim, in (0, 1): 1 - confidence.
    misses
        Misses allowed, fixed beforehand; looking and then adding trials voids the claim.

    Returns
    -------
    int
        Smallest n with ``P(Bin(n, limit) <= misses) <= delta``.

    Raises
    ------
    InputError
        If an argument leaves its range.

    Notes
    -----
    Assumes: independent trials with one common rate.

    Examples
    --------
    >>> [trials_needed(limit=0.05, delta=0.05, misses=x) for x in range(5)]  # Wilks sizes
    [59, 93, 124, 153, 181]
    """
    require_open(limit, "Limit")
    require_open(delta, "Delta")
    require_count(misses, "Misses allowed")
    too_few, enough = misses, misses + 1
    while _at_most(misses, enough, limit) > delta:
        too_few, enough = enough, 2 * enough
    while enough - too_few > 1:
        middle = (too_few + enough) // 2
        if _at_most(misses, middle, limit) <= delta:
            enough = middle
        else:
            too_few = middle
    return enough


def rule_of_three(trials: int) -> float:
    """Head check for no success in ``trials`` at 95 %: 3 / trials, a little above the exact limit.

    The 3 is ``-ln(0.05) = 2.9957`` rounded up, the Poisson limit at no event.

    References
    ----------
    Jovanovic & Levy 1997, Am Stat 51:137; Eypasch et al. 1995, BMJ 311:619.

    Examples
    --------
    >>> round(rule_of_three(300), 4), round(upper_limit(0, 300), 4)
    (0.01, 0.0099)
    """
    require_count(trials, "Number of trials")
    return min(1.0, 3 / trials) if trials else 1.0


def success_run_size(*, reliability: float, confidence: float = 0.95) -> float:
    """Trials without a failure that show a reliability, before rounding up (classical form).

    ``ln(1 - confidence) / ln(reliability)``. :func:`trials_needed` is the whole number to use. The Bayes form
    with a uniform prior needs one trial fewer; this program does not use it, because it claims more.

    Examples
    --------
    >>> round(success_run_size(reliability=0.95), 4)
    58.404
    """
    require_open(reliability, "Reliability")
    require_open(confidence, "Confidence")
    return math.log1p(-confidence) / math.log(reliability)


def success_run_reliability(trials: int, *, confidence: float = 0.95) -> float:
    """Reliability shown by ``trials`` without a failure: ``(1 - confidence) ** (1 / trials)``.

    Examples
    --------
    >>> round(success_run_reliability(59), 6)
    0.950492
    """
    return lower_limit(trials, trials, confidence=confidence)


def poisson_upper_limit(count: int, *, confidence: float = 0.95) -> float:
    """Exact one-sided upper limit of a Poisson mean after ``count`` events.

    References
    ----------
    Garwood 1936, Biometrika 28:437.

    Examples
    --------
    >>> round(poisson_upper_limit(1), 6)
    4.743865
    """
    require_open(confidence, "Confidence")
    require_count(count, "Count")
    return float(special.gammainccinv(count + 1, 1 - confidence))


def poisson_interval(count: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Two-sided exact interval of a Poisson mean, tail ``(1 - confidence) / 2`` on each side.

    Examples
    --------
    >>> low, upper = poisson_interval(1)
    >>> round(low, 6), round(upper, 6)
    (0.025318, 5.571643)
    """
    require_open(confidence, "Confidence")
    require_count(count, "Count")
    tail = (1 - confidence) / 2
    low = 0.0 if count == 0 else float(special.gammaincinv(count, tail))
    return low, float(special.gammainccinv(count + 1, tail))


def _at_most(successes: int, trials: int, rate: float) -> float:
    if successes < 0:
        return 0.0
    if successes >= trials:
        return 1.0
    return float(special.betaincc(successes + 1, trials - successes, rate))


def _upper(successes: int, trials: int, tail: float) -> float:
    if successes == trials:
        return 1.0
    if successes == 0:
        return -math.expm1(math.log(tail) / trials)
    return float(special.betainccinv(successes + 1, trials - successes, tail))


def _lower(successes: int, trials: int, tail: float) -> float:
    if successes == 0:
        return 0.0
    if successes == trials:
        return math.exp(math.log(tail) / trials)
    return float(special.betaincinv(successes, trials - successes + 1, tail))


def _require(successes: int, trials: int, confidence: float) -> None:
    require_part(successes, trials)
    require_open(confidence, "Confidence")
