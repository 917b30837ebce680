"""What a miss rate per presentation becomes when the same fish comes again: closed forms.

Rates and attempts come in, chances and expected numbers go out. A fish that is turned back and comes again is a
new presentation; a miss rate of 1 % per look is not 1 % per fish. The season's simulation is held against these.
"""

from __future__ import annotations

import math

from scipy import special

from passage_cv.errors import InputError
from passage_cv.stats.require import require_count


def chance_in_attempts(rate: float, attempts: int) -> float:
    """Chance of at least one passage in so many attempts, all with the same rate: ``1 - (1 - p)^k``.

    Raises
    ------
    InputError
        If ``rate`` is no probability or ``attempts`` is negative.

    Examples
    --------
    >>> round(chance_in_attempts(0.01, 10), 6)
    0.095618
    """
    _require_rate(rate, "Rate")
    require_count(attempts, "Number of attempts")
    if rate == 1:
        return float(attempts > 0)
    return -math.expm1(attempts * math.log1p(-rate))


def rate_for_chance(chance: float, attempts: int) -> float:
    """Rate per attempt that gives this chance over all attempts: ``1 - (1 - P)^(1/k)``.

    Examples
    --------
    >>> round(rate_for_chance(0.01, 20), 8)
    0.00050239
    """
    if not (0 <= chance < 1 and attempts >= 1):
        raise InputError(
            f"Chance is {chance} over {attempts} attempts", do="Give a chance below 1 and at least one attempt."
        )
    return -math.expm1(math.log1p(-chance) / attempts)


def chance_with_retries(rate: float, retry: float, *, held: float = 0.0) -> float:
    """Chance that a fish ever passes when it comes again with chance ``retry`` after each rejection.

    ``p / (1 - (1 - p)(1 - held) retry)``, where ``held`` is the share of presentations that are not passed but
    held (held fish are resolved by a person and do not come again).

    Raises
    ------
    InputError
        If an argument is no probability.

    Examples
    --------
    >>> round(chance_with_retries(0.01, 0.9), 6)
    0.091743
    """
    for name, value in (("Rate", rate), ("Retry chance", retry), ("Share held", held)):
        _require_rate(value, name)
    if rate == 0:
        return 0.0
    return rate / (1 - (1 - rate) * (1 - held) * retry)


def native_passage(false_rejection: float, retry: float) -> float:
    """Chance that a wanted fish passes in the end: ``(1 - f) / (1 - f r)``.

    Examples
    --------
    >>> round(native_passage(0.05, 0.6), 6)
    0.979381
    """
    _require_rate(false_rejection, "False rejection rate")
    return chance_with_retries(1 - false_rejection, retry)


def beta_shape(mean: float, alike: float) -> tuple[float, float]:
    """Beta law of a rate that differs between fish: its mean, and how alike one fish's attempts are.

    ``alike`` is the intraclass correlation ``1 / (a + b + 1)``: near 0 every attempt is a new chance, near 1 a
    fish is always missed or never.

    Examples
    --------
    >>> a, b = beta_shape(0.01, 1 / 11)
    >>> round(a, 6), round(b, 6)
    (0.1, 9.9)
    """
    if not (0 < mean < 1 and 0 < alike < 1):
        raise InputError(f"Mean is {mean}, alike {alike}", do="Give both between 0 and 1.")
    total = (1 - alike) / alike
    return mean * total, (1 - mean) * total


def chance_in_attempts_alike(a: float, b: float, attempts: int) -> float:
    """Chance of at least one passage where fish differ by a beta law: ``1 - B(a, b + k) / B(a, b)``.

    Less than :func:`chance_in_attempts` at the same mean, because repeats of one fish are alike.

    Examples
    --------
    >>> round(chance_in_attempts_alike(0.1, 9.9, 10), 6)
    0.069607
    """
    if not (a > 0 and b > 0):
        raise InputError(f"Shape is {a}, {b}", do="Give two numbers above 0.")
    require_count(attempts, "Number of attempts")
    return -math.expm1(float(special.betaln(a, b + attempts) - special.betaln(a, b)))


def expected_escapement(fish: float, rate: float, attempts: int) -> float:
    """Expected number that get past: ``N (1 - (1 - p)^k)``.

    Examples
    --------
    >>> round(expected_escapement(400, 0.002, 6), 6)
    4.776064
    """
    return fish * chance_in_attempts(rate, attempts)


def chance_of_none(fish: int, chance: float) -> float:
    """Chance that no fish of so many gets past, each independently with this chance.

    Examples
    --------
    >>> round(chance_of_none(400, chance_in_attempts(0.002, 6)), 8)
    0.00819029
    """
    require_count(fish, "Number of fish")
    _require_rate(chance, "Chance")
    return float(fish == 0) if chance == 1 else math.exp(fish * math.log1p(-chance))


def chance_of_pair(fish: int, chance: float, female_share: float) -> float:
    """Chance that at least one female and one male get past.

    ``1 - (1 - c f)^N - (1 - c (1 - f))^N + (1 - c)^N``.

    Examples
    --------
    >>> chance_of_pair(1, 0.5, 0.5), chance_of_pair(2, 1.0, 0.5)
    (0.0, 0.5)
    """
    _require_rate(female_share, "Share of females")
    no_female = chance_of_none(fish, chance * female_share)
    no_male = chance_of_none(fish, chance * (1 - female_share))
    return max(0.0, 1 - no_female - no_male + chance_of_none(fish, chance))


def screened_shares(hit_rate: float, true_pass_rate: float, share: float) -> tuple[float, float]:
    """What a rejected and a passed fish is, by Bayes' rule.

    Parameters
    ----------
    hit_rate
        Chance that an excluded fish is rejected.
    true_pass_rate
        Chance that a wanted fish is passed.
    share
        Share of excluded fish among presentations, strictly between 0 and 1.

    Returns
    -------
    tuple of float
        Share of excluded fish among the rejected, and among the passed.

    Examples
    --------
    >>> rejected, passed = screened_shares(0.99, 0.98, 0.01)
    >>> round(rejected, 6), f"{passed:.4e}"
    (0.333333, '1.0306e-04')
    """
    for name, value in (("Hit rate", hit_rate), ("True pass rate", true_pass_rate)):
        _require_rate(value, name)
    if not 0 < share < 1:
        raise InputError(f"Share is {share}", do="Give a share between 0 and 1.")
    rejected = hit_rate * share + (1 - true_pass_rate) * (1 - share)
    passed = (1 - hit_rate) * share + true_pass_rate * (1 - share)
    if rejected == 0 or passed == 0:
        raise InputError("No fish is rejected, or none passed, at these rates", do="Correct the rates.")
    return hit_rate * share / rejected, (1 - hit_rate) * share / passed


def _require_rate(value: float, name: str) -> None:
    if not 0 <= value <= 1:
        raise InputError(f"{name} is {value}, allowed is 0 to 1", do="Give a probability.")
