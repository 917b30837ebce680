"""Checks of lengths and weights: what a colleague would doubt, with the numbers and a proposal.

Bands of relative weight [handbook section 2, ours]: 60 to 140 is accepted, outside is shown, under 40 or over
200 must be resolved. Where no standard weight is published, a rough weight by body shape serves for "wildly
wrong" only. Nothing here changes a value.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.columns import NUMBER_COLUMNS
from passage_cv.intake.condition import relative_weight, shape_weight_g
from passage_cv.intake.lines import Line
from passage_cv.intake.names import Species
from passage_cv.intake.slips import code_neighbours
from passage_cv.records import Change, Finding, Severity

FINE = (60.0, 140.0)
BEARABLE = (40.0, 200.0)
WILD = 4.0
"""A weight this many times off its body shape's is wildly wrong [ours: twice the spread inside a shape]."""

WHOLE = 0.8
"""Part of the fish that one slip must explain before the column is doubted [ours]."""
LEAST_WHOLE = 5

_SLIPS = (
    ("the length is in cm", 10.0, 1.0),
    ("the length is in inches", 25.4, 1.0),
    ("the weight is in kg", 1.0, 1000.0),
    ("the weight is in pounds", 1.0, 453.6),
    ("the weight is in ounces", 1.0, 28.35),
    ("the length is in inches and the weight in pounds", 25.4, 453.6),
    ("the length is in inches and the weight in ounces", 25.4, 28.35),
    ("the length is in cm and the weight in kg", 10.0, 1000.0),
    ("the length has a digit too many", 0.1, 1.0),
    ("the weight has a digit too many", 1.0, 0.1),
    ("the weight lacks a digit", 1.0, 10.0),
)
"""What may have happened, and the factors on length and weight that undo it."""

_RANGES = {
    "length_mm": (1.0, 5000.0),
    "weight_g": (0.01, 500_000.0),
    "waterTemperature_C": (-2.0, 40.0),
    "turbidity_NTU": (0.0, 4000.0),
}
"""What a river and its fish can have [ours: sturgeon and sea water at the ends]."""


@dataclass(frozen=True, slots=True)
class Measure:
    """What was measured on one fish, and the line that says so."""

    line: Line
    species: Species
    length_mm: float
    weight_g: float
    length_type: str


@dataclass(frozen=True, slots=True)
class Judgement:
    """A weight in percent of what the length lets expect, and the bands it is held against."""

    percent: float
    expected: str
    fine: tuple[float, float]
    bearable: tuple[float, float]

    @property
    def severity(self) -> Severity | None:
        """None where nobody would ask."""
        if self.fine[0] <= self.percent <= self.fine[1]:
            return None
        return "please look" if self.bearable[0] <= self.percent <= self.bearable[1] else "must resolve"


def judge(species: Species, length_mm: float, length_type: str, weight_g: float) -> Judgement | None:
    """Hold a weight against the standard weight, else against that of the body shape; None if neither is known.

    Fork length stands for total length where the tail has no fork.
    """
    is_total = length_type == "TL" or (length_type == "FL" and species.tail in {"rounded", "pointed", "straight"})
    wr = relative_weight(species.scientific_name, length_mm, weight_g) if is_total else None
    if wr is not None:
        return Judgement(wr, "standard weight", FINE, BEARABLE)
    rough = shape_weight_g(species.shape, length_mm)
    if rough is None or length_mm <= 0:
        return None
    return Judgement(
        100 * weight_g / rough,
        f"the rough weight of its shape ({species.shape})",
        (100 / WILD, 100 * WILD),
        (50 / WILD, 200 * WILD),
    )


@dataclass(frozen=True, slots=True)
class Guess:
    """What may have happened, and the one cell that would undo it; None where it takes more than one."""

    slip: str
    change: Change | None = None


def explain(measure: Measure, neighbours: Iterable[Species] = ()) -> list[Guess]:
    """What would make the weight fit the length: the slips that put it back into the fine band, likeliest first.

    ``neighbours`` are species that the code may have been a slip for.
    """
    other = [
        Guess(f"it is {one.code}, {one.common_name or one.scientific_name}")
        for one in neighbours
        if _fits(replace(measure, species=one), measure.length_mm, measure.weight_g)
    ]
    return other + [guess for guess, mm, grams in _tried(measure) if _fits(measure, mm, grams)]


def _tried(measure: Measure) -> Iterator[tuple[Guess, float, float]]:
    """Each slip with the length and weight that undo it."""
    length, weight = measure.length_mm, measure.weight_g
    yield Guess("length and weight are swapped"), weight, length
    for slip, by_length, by_weight in _SLIPS:
        mm, grams = length * by_length, weight * by_weight
        change = Change("length_mm", f"{mm:.4g}") if by_weight == 1 else Change("weight_g", f"{grams:.5g}")
        yield Guess(slip, change if 1.0 in {by_length, by_weight} else None), mm, grams
    for other in digit_swaps(length):
        yield Guess(f"the length is {other:g} (two digits swapped)", Change("length_mm", f"{other:g}")), other, weight
    for other in digit_swaps(weight):
        yield Guess(f"the weight is {other:g} (two digits swapped)", Change("weight_g", f"{other:g}")), length, other


def digit_swaps(value: float) -> list[float]:
    """The numbers that differ by two neighbouring digits changed over.

    Examples
    --------
    >>> digit_swaps(453)
    [543.0, 435.0]
    """
    text = f"{value:g}"
    swapped = [text[:i] + text[i + 1] + text[i] + text[i + 2 :] for i in range(len(text) - 1)]
    good = (other for other in swapped if other != text and other[0] not in "0." and other[-1] != ".")
    return [float(other) for other in good if "e" not in other]


def check_ranges(batch: CheckedBatch) -> list[Finding]:
    """Zeros that stand for unknown, and numbers no river has."""
    findings = []
    seen: set[tuple[str, float]] = set()
    for line in batch.kept_lines():
        for name, (low, high) in _RANGES.items():
            value = line.numbers[name]
            key = (name, value or 0.0) if name not in line.cells else (f"{name} {line.individual}", value or 0.0)
            if value is None or low <= value <= high or key in seen:
                continue
            seen.add(key)
            findings.append(_out_of_range(line, name, value))
    return findings


def check_zero_water(batch: CheckedBatch) -> list[Finding]:
    """Water of exactly 0 degrees or 0 NTU: it may be so, and it may not have been measured; once per event."""
    first: dict[tuple[str, str], Line] = {}
    for line in batch.kept_lines():
        for name in ("waterTemperature_C", "turbidity_NTU"):
            if line.numbers[name] == 0:
                first.setdefault((line.event, name), line)
    return [
        Finding(
            "zero or not measured",
            "please look",
            f"{name} of event {event} is 0 (first row {line.row})",
            row=line.row,
            proposal="Leave it empty where it was not measured",
        )
        for (event, name), line in first.items()
    ]


def check_length_types(batch: CheckedBatch) -> list[Finding]:
    """Lengths that do not say which length, and fish longer to the fork than in all."""
    findings = []
    lengths: dict[str, dict[str, Line]] = defaultdict(dict)
    untyped: list[Line] = []
    for line in batch.kept_lines():
        if line.numbers["length_mm"] and line.individual:
            lengths[line.individual].setdefault(line.text["length_type"], line)
            untyped += [] if line.text["length_type"] else [line]
    if untyped:
        findings.append(
            Finding(
                "length without type",
                "please look",
                f"{len(untyped)} lines give a length and not which (TL, FL or SL), first row {untyped[0].row}",
                row=untyped[0].row,
                proposal="Fill length_type, or add it to trip.toml",
            )
        )
    for individual, by_type in lengths.items():
        findings += _impossible_lengths(individual, by_type)
    return findings


def check_weights(batch: CheckedBatch) -> list[Finding]:
    """Weights that do not fit the length, with what may have happened: to one fish, or to the whole sheet.

    What one slip of the whole sheet explains is resolved with it, so those rows are for looking at only. Nobody can
    let the whole column stand, so none of them gets in unresolved.
    """
    here = {line.species for line in batch.rows if line.species}
    judged = [(one, judge(one.species, one.length_mm, one.length_type, one.weight_g)) for one in measures(batch)]
    doubts = [
        _Doubt(
            measure,
            verdict,
            verdict.severity,
            explain(measure, [one for one in code_neighbours(measure.species, batch.names) if one in here]),
        )
        for measure, verdict in judged
        if verdict is not None and verdict.severity is not None
    ]
    slip, whole = _whole_sheet(doubts, sum(verdict is not None for _, verdict in judged))
    rows = [_misfit(one, "please look" if one.has(slip) else one.severity) for one in doubts]
    return [whole, *rows] if whole else rows


@dataclass(frozen=True, slots=True)
class _Doubt:
    """A weight outside the fine band, how grave that is alone, and what would explain it."""

    measure: Measure
    judgement: Judgement
    severity: Severity
    guesses: Sequence[Guess]

    def has(self, slip: str) -> bool:
        return any(guess.slip == slip for guess in self.guesses)


def _misfit(doubt: _Doubt, severity: Severity) -> Finding:
    row, judged, guesses = doubt.measure.line.row, doubt.judgement, doubt.guesses
    return Finding(
        "weight for length",
        severity,
        f"Row {row}: {_fish(doubt.measure)} has {judged.percent:.0f} % of {judged.expected}",
        row=row,
        proposal="Perhaps " + ", or ".join(guess.slip for guess in guesses[:3]) if guesses else None,
        change=guesses[0].change if len(guesses) == 1 else None,
    )


def _whole_sheet(doubts: Sequence[_Doubt], n_judged: int) -> tuple[str, Finding | None]:
    """One slip that explains nearly every fish: the columns or their units, not the fish, are wrong."""
    slips = Counter(guess.slip for one in doubts for guess in one.guesses)
    slip, n = max(slips.items(), key=lambda item: item[1], default=("", 0))
    if n < max(LEAST_WHOLE, WHOLE * n_judged):
        return "", None
    first = next(one.measure.line.row for one in doubts if one.has(slip))
    return slip, Finding(
        "whole column",
        "must resolve",
        f"{n} of {n_judged} fish would fit if {slip}: the whole column may be meant so (first in row {first})",
        row=1,
        proposal="Say so in layout.toml ([[use]] heading, column, unit); the sheet stays as it came",
    )


def check_largest(batch: CheckedBatch) -> list[Finding]:
    """Fish a tenth longer than any on record."""
    return [
        Finding(
            "longer than any on record",
            "please look",
            f"Row {measure.row}: {measure.species.scientific_name} of {measure.numbers['length_mm']:g} mm,"
            f" the longest known has {measure.species.max_mm:g} mm",
            row=measure.row,
        )
        for measure in _first_of_each(batch.kept_lines())
        if measure.species
        and measure.species.max_mm
        and (measure.numbers["length_mm"] or 0) > 1.1 * measure.species.max_mm
    ]


def measures(batch: CheckedBatch) -> Iterator[Measure]:
    """Each fish with a length above zero, a weight above zero and a known species, once."""
    for line in _first_of_each(batch.kept_lines()):
        length, weight = line.numbers["length_mm"], line.numbers["weight_g"]
        if line.species and length and weight and length > 0 and weight > 0:
            yield Measure(line, line.species, length, weight, line.text["length_type"])


def _first_of_each(lines: Iterable[Line]) -> Iterator[Line]:
    """One line of each fish and each pair of numbers it was given."""
    seen: set[tuple[object, ...]] = set()
    for line in lines:
        numbers = [line.numbers[name] for name in NUMBER_COLUMNS[:2]]
        key = (line.individual or line.row, *numbers, line.text["length_type"])
        if key not in seen:
            seen.add(key)
            yield line


def _fits(measure: Measure, length_mm: float, weight_g: float) -> bool:
    judged = judge(measure.species, length_mm, measure.length_type, weight_g)
    return judged is not None and judged.severity is None


def _fish(measure: Measure) -> str:
    kind = measure.length_type or "length"
    return f"{measure.species.scientific_name}, {kind} {measure.length_mm:g} mm, {measure.weight_g:g} g,"


def _out_of_range(line: Line, name: str, value: float) -> Finding:
    low, high = _RANGES[name]
    proposal, change = f"It lies between {low:g} and {high:g}", None
    celsius = (value - 32) / 1.8
    if value == 0:
        proposal, change = "Leave the cell empty where it was not measured", Change(name, "")
    elif name == "waterTemperature_C" and low <= celsius <= high:
        proposal = f"Perhaps {value:g} degrees Fahrenheit, which is {celsius:.1f} degrees Celsius"
        change = Change(name, f"{celsius:.1f}")
    return Finding(
        "zero as unknown" if value == 0 else "out of range",
        "must resolve",
        f"Row {line.row}: {name} is {value:g}",
        row=line.row,
        proposal=proposal,
        change=change if name in line.cells else None,
    )


def _impossible_lengths(individual: str, by_type: dict[str, Line]) -> Iterator[Finding]:
    """Standard, fork and total length of one fish must not fall (SL <= FL <= TL)."""
    order = [(kind, by_type[kind]) for kind in ("SL", "FL", "TL") if kind in by_type]
    for (short, line), (long, other) in pairwise(order):
        shorter, longer = line.numbers["length_mm"] or 0, other.numbers["length_mm"] or 0
        if shorter > longer:
            yield Finding(
                f"{short} above {long}",
                "must resolve",
                f"Individual {individual}: {short} {shorter:g} mm (row {line.row}) is more than {long} {longer:g} mm"
                f" (row {other.row})",
                row=max(line.row, other.row),
                proposal="Perhaps the two are in each other's column",
            )
