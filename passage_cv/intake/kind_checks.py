"""Fish that do not lie where the others of their batch do, once each is held against what its kind should weigh.

What crews meet varies from year to year, so a weight is not held against the published equation itself but against
the level at which this batch lies beside it. Finds what the bands of relative weight cannot: swapped digits, and a
total length written as fork length, which is 5 to 20 % off.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.condition import expected_weight_g, usual_slope
from passage_cv.intake.lines import Line
from passage_cv.intake.measure_checks import Measure, digit_swaps, judge, measures
from passage_cv.records import Change, Finding

OUTLIER_SDS = 4.0
"""Spreads off its kind above which a fish is shown [handbook section 1: residual > 4 SD]."""
LEAST_FISH = 12
"""Fish of a batch below which no spread is taken from them [ours]."""
LEAST_OF_KIND = 6
"""Fish of one kind below which they have no level of their own [ours]."""
LEAST_SPREAD = 0.07
"""Spread of log weight that fish have at least: 7 % [ours: below any wild stock]."""
FORK_SDS = 2.5
"""Spreads below its kind at which a fork length is doubted, if the fish would fit as a total length [ours]."""

GAP = 5.0
"""How many times longer the next fish of a kind must be before a small one is doubted [ours]."""
AMONG = 1.25
"""How far beyond the others, as a factor, ten times the length may lie [ours]."""
LEAST_LARGE = 2
"""Large fish that each small one must stand beside [ours: more small ones are a year's young]."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A fish and its log weight above the level of its kind, in natural logarithms."""

    measure: Measure
    residual: float


@dataclass(frozen=True, slots=True)
class Kinds:
    """All fish of a batch whose kind has a level, and how far they scatter about it."""

    fish: tuple[Placed, ...]
    spread: float


def place_fish(batch: CheckedBatch) -> Kinds | None:
    """Hold every fish against its kind; None where there are too few to say how they scatter.

    Fish that the bands of relative weight doubt already are left out.
    """
    groups: dict[tuple[str, str, bool], list[tuple[Measure, float]]] = defaultdict(list)
    for measure in measures(batch):
        judged = judge(measure.species, measure.length_mm, measure.length_type, measure.weight_g)
        if judged is None or judged.severity is None:
            expected, is_published = _expected(measure)
            key = (measure.species.scientific_name, measure.length_type, is_published)
            groups[key].append((measure, math.log(measure.weight_g / expected)))
    pooled = [level for (*_, is_published), group in groups.items() if is_published for _, level in group]
    fish: list[Placed] = []
    for (*_, is_published), group in groups.items():
        own = [level for _, level in group]
        if len(own) >= LEAST_OF_KIND or (is_published and len(pooled) >= LEAST_FISH):
            centre = median(own if len(own) >= LEAST_OF_KIND else pooled)
            fish += [Placed(measure, level - centre) for measure, level in group]
    if len(fish) < LEAST_FISH:
        return None
    spread = 1.4826 * median(abs(one.residual) for one in fish)
    return Kinds(tuple(fish), max(spread, LEAST_SPREAD))


def check_outliers(batch: CheckedBatch) -> list[Finding]:
    """Fish far off the others of their kind."""
    kinds = place_fish(batch)
    return [] if kinds is None else list(_outliers(kinds))


def check_fork_lengths(batch: CheckedBatch) -> list[Finding]:
    """Fork lengths that are too long for the weight, and would fit it as a total length."""
    kinds = place_fish(batch)
    return [] if kinds is None else list(_total_as_fork(kinds))


def check_small_beside_large(batch: CheckedBatch) -> list[Finding]:
    """Lengths without a weight that ten times as long would lie among their kind: cm that were typed as mm.

    Asked only where such fish are few beside the large ones; many of them are young fish.
    """
    fish: dict[tuple[str, str], dict[str, tuple[float, Line]]] = defaultdict(dict)
    for line in batch.kept_lines():
        length = line.numbers["length_mm"]
        if line.species and line.individual and length and length > 0:
            kind = (line.species.scientific_name, line.text["length_type"])
            fish[kind].setdefault(line.occurrence, (length, line))
    return [finding for (name, kind), lengths in fish.items() for finding in _as_cm(name, kind, lengths.values())]


def _as_cm(name: str, kind: str, lengths: Iterable[tuple[float, Line]]) -> Iterator[Finding]:
    in_order = sorted(lengths, key=lambda one: one[0])
    cut = next((i for i, (one, other) in enumerate(pairwise(in_order), start=1) if other[0] > GAP * one[0]), 0)
    small, large = in_order[:cut], [length for length, _ in in_order[cut:]]
    if not small or len(large) < LEAST_LARGE * len(small):
        return
    for length, line in small:
        if not line.numbers["weight_g"] and large[0] / AMONG <= 10 * length <= large[-1] * AMONG:
            yield Finding(
                "length perhaps in cm",
                "please look",
                f"Row {line.row}: {name}, {kind or 'length'} {length:g} mm, the others of its kind have {large[0]:g}"
                f" to {large[-1]:g} mm",
                row=line.row,
                proposal=f"Perhaps {length:g} cm, which is {10 * length:g} mm",
                change=Change("length_mm", f"{10 * length:g}"),
            )


def _outliers(kinds: Kinds) -> Iterator[Finding]:
    for one in kinds.fish:
        measure, sds = one.measure, abs(one.residual) / kinds.spread
        if sds > OUTLIER_SDS:
            swap = _digits_that_fit(one, kinds.spread)
            yield Finding(
                "off the line of its kind",
                "please look",
                f"Row {measure.line.row}: {measure.species.scientific_name}, {measure.length_type or 'length'}"
                f" {measure.length_mm:g} mm, {measure.weight_g:g} g, is {sds:.1f} SD off the others of its kind here",
                row=measure.line.row,
                proposal=f"Perhaps two digits of {swap.column} were swapped: {swap.value}" if swap else None,
                change=swap,
            )


def _digits_that_fit(one: Placed, spread: float) -> Change | None:
    """The one swap of two digits that would put the fish among its kind."""
    measure = one.measure
    slope = usual_slope(measure.species.scientific_name)
    moved = [
        (Change("length_mm", f"{other:g}"), -slope * math.log(other / measure.length_mm))
        for other in digit_swaps(measure.length_mm)
    ]
    moved += [
        (Change("weight_g", f"{other:g}"), math.log(other / measure.weight_g))
        for other in digit_swaps(measure.weight_g)
        if other > 0
    ]
    fitting = [change for change, by in moved if abs(one.residual + by) <= 2 * spread]
    return fitting[0] if len(fitting) == 1 else None


def _total_as_fork(kinds: Kinds) -> Iterator[Finding]:
    for one in kinds.fish:
        measure, ratio = one.measure, one.measure.species.fork_ratio
        if measure.length_type != "FL" or not ratio or one.residual > -FORK_SDS * kinds.spread:
            continue
        as_total = one.residual - usual_slope(measure.species.scientific_name) * math.log(ratio)
        if abs(as_total) <= 2 * kinds.spread:
            fork = round(measure.length_mm * ratio)
            yield Finding(
                "total length as fork length",
                "please look",
                f"Row {measure.line.row}: {measure.species.scientific_name}, FL {measure.length_mm:g} mm,"
                f" {measure.weight_g:g} g, is {-one.residual / kinds.spread:.1f} SD too light for its kind here;"
                " as a total length it would fit",
                row=measure.line.row,
                proposal=f"Perhaps FL is about {fork} mm: measure again, or correct it",
                change=Change("length_mm", str(fork)),
            )


def _expected(measure: Measure) -> tuple[float, bool]:
    """Expected weight (g), and whether it is a published one; else only its slope means something."""
    published = expected_weight_g(measure.species, measure.length_mm, measure.length_type)
    if published is not None:
        return published, True
    slope = usual_slope(measure.species.scientific_name)
    return measure.length_mm**slope, False
