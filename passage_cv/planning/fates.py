"""What becomes of one fish that may come again: passed, held or gone, with its attempts; exact sums, no dice.

At each presentation the fish is held with chance h, else passed with its own chance q, else rejected; a rejected
fish comes again with chance r. Held fish are resolved by a person and do not come again. q is the same for all
fish or differs between them by a beta law. All functions take arrays over simulated seasons.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize

from passage_cv.errors import InputError

Floats = npt.NDArray[np.float64]

_REST = 1e-13  # what may be left out of an endless sum of attempts


@dataclass(frozen=True, slots=True)
class Coming:
    """How fish of one class come to the gate and come again.

    Parameters
    ----------
    hold_rate
        Share of presentations held for a person, in [0, 1).
    retry
        Chance that a rejected fish comes again, in [0, 1].
    alike
        How alike the attempts of one fish are: intraclass correlation in [0, 1); 0 makes every attempt a new
        chance.
    max_attempts
        Attempts after which no fish comes again; needed where every rejected fish retries.

    Raises
    ------
    InputError
        If a number leaves its range, or fish that always retry have no last attempt.
    """

    hold_rate: float = 0.0
    retry: float = 0.0
    alike: float = 0.0
    max_attempts: int | None = None

    def __post_init__(self) -> None:
        if not (0 <= self.hold_rate < 1 and 0 <= self.retry <= 1 and 0 <= self.alike < 1):
            raise InputError(
                f"Hold rate {self.hold_rate}, retry {self.retry}, alike {self.alike}",
                do="Give a hold rate and alike below 1, and a retry chance of at most 1.",
            )
        if self.max_attempts is not None and self.max_attempts < 1:
            raise InputError(f"Most attempts is {self.max_attempts}", do="Give 1 or more.")
        if self.max_attempts is None and self.going_on > 0.999:
            raise InputError(
                f"Rejected fish come again with chance {self.retry} without end",
                do="Give max_attempts or a smaller retry.",
            )

    @property
    def going_on(self) -> float:
        """Chance that a fish that would not be passed is rejected and comes again."""
        return (1 - self.hold_rate) * self.retry

    @property
    def last_attempt(self) -> int:
        """Attempts worth counting: ``max_attempts``, or until what is left is below 1e-13."""
        on = self.going_on
        if on == 0:
            return 1
        enough = math.inf if on == 1 else math.ceil(math.log(_REST * (1 - on)) / math.log(on))
        return int(min(enough, self.max_attempts or math.inf))


@dataclass(frozen=True, slots=True)
class Fates:
    """Chances of one fish, each an array over seasons; the four fates sum to 1.

    ``first`` passed at the first presentation, ``later`` passed after a rejection, ``held`` for a person,
    ``gone`` rejected and not come again; ``presentations`` is the mean number of times it comes.
    """

    first: Floats
    later: Floats
    held: Floats
    gone: Floats
    presentations: Floats

    @property
    def passed(self) -> Floats:
        """Passed by the gate, at the first or a later presentation."""
        return self.first + self.later


def fates(pass_rate: npt.ArrayLike, coming: Coming) -> Fates:
    """Chances of one fish at these passing rates per presentation.

    Parameters
    ----------
    pass_rate
        Mean chance that a presentation is passed, shape (n_seasons,) or one number; at most
        ``1 - hold_rate``. For an excluded class this is its miss rate.
    coming
        How the class comes and comes again.

    Raises
    ------
    InputError
        If a rate is negative or leaves no room for the hold rate.

    Notes
    -----
    With M_j the mean of ``(1 - q)^j`` over fish and g = (1 - h) r, attempt j + 1 is reached with chance
    ``g^j M_j``. Ours.

    Examples
    --------
    >>> one = fates(0.01, Coming(retry=0.9))
    >>> round(float(one.passed[0]), 6)  # 0.01 / (1 - 0.99 * 0.9)
    0.091743
    """
    rates = np.atleast_1d(np.asarray(pass_rate, dtype=np.float64))
    room = 1 - coming.hold_rate
    if not ((rates >= 0) & (rates <= room + 1e-12)).all():
        raise InputError(
            f"Passing rate up to {rates.max():.4f} with hold rate {coming.hold_rate}",
            do="Give rates of at least 0 whose sum is at most 1.",
        )
    chance = np.clip(rates / room, 0.0, 1.0)
    reached, through = _sums(chance, coming)
    first = room * chance
    passed = np.maximum(room * through, first)
    held = coming.hold_rate * reached
    gone = np.clip(1 - passed - held, 0.0, 1.0)
    return Fates(first, passed - first, held, gone, reached)


def rate_for_passage(chance: float, coming: Coming) -> float:
    """Passing rate per presentation at which a fish ever passes with this chance; :func:`fates` backwards.

    Raises
    ------
    InputError
        If no rate gives so large a chance.

    Examples
    --------
    >>> round(rate_for_passage(0.01, Coming(retry=1.0, max_attempts=20)), 8)
    0.00050239
    """
    room = 1 - coming.hold_rate
    if not 0 <= chance <= room:
        raise InputError(
            f"Chance {chance} of ever passing, with hold rate {coming.hold_rate}", do="Give a smaller chance."
        )
    if chance in (0.0, room):
        return chance

    def excess(rate: float) -> float:
        return float(fates(rate, coming).passed[0]) - chance

    return float(optimize.brentq(excess, 0.0, room, xtol=1e-15, rtol=1e-12))


def _sums(chance: Floats, coming: Coming) -> tuple[Floats, Floats]:
    """Mean number of presentations, and of passages per chance not to be held, for one fish."""
    own, alike = 1 - coming.alike, coming.alike  # a + b of the beta law is own / alike
    still = np.ones_like(chance)  # mean of (1 - q)^j, times g^j
    now = chance.copy()  # mean of q (1 - q)^j, times g^j
    reached, through = np.zeros_like(chance), np.zeros_like(chance)
    for attempt in range(coming.last_attempt):
        reached += still
        through += now
        failed = coming.going_on * ((1 - chance) * own + attempt * alike)
        still = still * failed / (own + attempt * alike)
        now = now * failed / (own + (attempt + 1) * alike)
    return reached, through
