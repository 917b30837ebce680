"""Set-ups beside what the store has on file, and reference targets beside the set-up's own history."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from statistics import median

from passage_cv.dataset.registers import Register, changed_setup
from passage_cv.dataset.segments import TARGET_COLUMNS
from passage_cv.dataset.tables import rows_among, rows_with, tuples
from passage_cv.dataset.versions import Version
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.setups import other_cameras, other_settings, setups_of
from passage_cv.intake.target_checks import LIMITS, PURPOSE, SHARPNESS_LEFT, WORDS, Seen, changes, see_targets
from passage_cv.intake.targets import Target
from passage_cv.records import Finding

MANY = 8
"""Earlier pictures of a target from which on the set-up's own spread is used instead of fixed limits [ours]."""
SPREADS = 4.0
"""How many of its own spreads (1.4826 times the median absolute deviation) a quantity may lie off [ours]."""
LEAST_SPREAD = 0.005
"""A spread below this part of the median is measuring noise [ours]."""

History = Mapping[tuple[str, str], Sequence[Target]]


def findings_of_setups(batch: CheckedBatch, before: Version | None, register: Register) -> Iterator[Finding]:
    """What a batch's set-ups and targets say beside the store.

    A set-up that is on file and described otherwise must be resolved, because a changed firmware or setting makes
    a new ``setup_id``; all else is for looking at.
    """
    described = setups_of(batch)
    for setup in described.values():
        problem = changed_setup(register, setup)
        if problem:
            yield Finding(
                "set-up changed", "must resolve", problem, proposal="Give it the new setup_id, in both files"
            )
    known = {name: entry.said for name, entry in register.setups.items() if name not in described}
    yield from other_cameras(batch, known)
    yield from other_settings(batch, known)
    seen = see_targets(batch)
    if seen and before is not None:
        yield from _beside_history(seen, target_history(before, {one.line.text["setup_id"] for one in seen}))


def target_history(version: Version, setups: set[str]) -> dict[tuple[str, str], list[Target]]:
    """Measured targets of some set-ups by (set-up, camera), oldest first."""
    columns = ("setup_id", "camera", "purpose", *TARGET_COLUMNS.values())
    rows = rows_with(rows_among(version.table(columns), "setup_id", setups), "purpose", PURPOSE)
    found: dict[tuple[str, str], list[Target]] = {}
    for setup, camera, _, *values in tuples(rows, *columns):
        if values[0] is not None:
            found.setdefault((setup, camera), []).append(Target(*values))
    return found


def drifted(history: Sequence[Target], now: Target) -> Iterator[str]:
    """In words, what of a target lies off its history: off fixed limits while that is short, later off its spread.

    Parameters
    ----------
    history
        Earlier pictures of the target by the same set-up and camera.
    now
        The picture at hand.
    """
    if not history:
        return
    usual = Target(**{name: _usual(history, name) for name in WORDS})  # type: ignore[arg-type]
    if len(history) < MANY:
        yield from (words for _, words in changes(usual, now))
        return
    for name in LIMITS:
        old, new = getattr(usual, name), getattr(now, name)
        if old and new and abs(new - old) > SPREADS * _spread(history, name, old):
            yield f"{WORDS[name]} is {100 * (new / old - 1):+.1f} % off"
    if usual.sharpness and now.sharpness and now.sharpness < SHARPNESS_LEFT * usual.sharpness:
        yield f"sharpness is at {100 * now.sharpness / usual.sharpness:.0f} %"


def _beside_history(seen: Sequence[Seen], history: History) -> Iterator[Finding]:
    for one in seen:
        setup = one.line.text["setup_id"]
        earlier = history.get((setup, one.camera), ())
        for words in drifted(earlier, one.target):
            yield Finding(
                "reference target",
                "please look",
                f"{one.picture.name}: {words}, beside the median of {len(earlier)} earlier pictures of the target by"
                f" {one.camera or setup}",
                row=one.line.row,
                image=one.picture.name,
                proposal="Look at lens, lamp and settings; where one was changed, the pictures need a new setup_id",
            )


def _values(history: Sequence[Target], name: str) -> list[float]:
    return [value for one in history if (value := getattr(one, name)) is not None]


def _usual(history: Sequence[Target], name: str) -> float | None:
    values = _values(history, name)
    return median(values) if values else None


def _spread(history: Sequence[Target], name: str, usual: float) -> float:
    apart = median(abs(value - usual) for value in _values(history, name))
    return max(1.4826 * apart, LEAST_SPREAD * usual)
