"""What fixed cutoffs do as views get worse, and to trips and sites that the model had not seen.

Comes in: scores of the same fish at several levels, and cutoffs. Goes out: rows of counts and a page. Says where the
gate stops being of use; claims no limit.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from passage_cv.decision.combine import combine_views
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.evaluation.costs import held_share
from passage_cv.evaluation.judging import Judged, judge, named_classes
from passage_cv.evaluation.report import environment
from passage_cv.evaluation.values import csv_text
from passage_cv.files import write_json, write_text
from passage_cv.records import Action
from passage_cv.scores import Scores
from passage_cv.stats.binomial import exact_interval


@dataclass(frozen=True, slots=True)
class Line:
    """What the cutoffs did to some fish: excluded ones passed, wanted ones rejected, the share held.

    ``of`` says which sweep, or trip or site; ``level`` is that of a sweep. ``held_share`` is at the site's expected
    shares, over the classes met. ``right`` counts fish whose class is named first.
    """

    of: str
    level: float | None
    fish: int
    right: int
    excluded: int
    missed: int
    wanted: int
    rejected: int
    held: int
    held_share: float

    @property
    def miss_rate(self) -> float | None:
        """Excluded fish passed per excluded fish shown."""
        return self.missed / self.excluded if self.excluded else None

    @property
    def interval(self) -> tuple[float, float]:
        """Exact two-sided 95 % interval of the miss rate."""
        return exact_interval(self.missed, self.excluded)


@dataclass(frozen=True, slots=True)
class Robustness:
    """Lines of each sweep in the order of its levels, and of each trip and site left out."""

    sweeps: Mapping[str, tuple[Line, ...]]
    trips: tuple[Line, ...]
    sites: tuple[Line, ...]


def count_levels(name: str, levels: Mapping[float, Scores], cutoffs: Cutoffs) -> tuple[Line, ...]:
    """One line per level of a sweep, in the order given."""
    return tuple(_line(name, level, _judged(scores, cutoffs), cutoffs) for level, scores in levels.items())


def count_left_out(unit: str, scores: Scores, cutoffs: Cutoffs) -> tuple[Line, ...]:
    """One line per trip (or site) of the scores, in order of name."""
    judged = _judged(scores, cutoffs)
    names = judged.individuals.text[unit]
    return tuple(
        _line(str(name), None, _where(judged, names == name), cutoffs) for name in np.unique(names[names != ""])
    )


def write_robustness(
    found: Robustness, folder: Path, *, figure: bytes, scales: Mapping[str, str], cutoffs: Cutoffs
) -> Path:
    """Write ``robustness.html``, ``robustness.json`` and its tables as CSV; return the page's path.

    Parameters
    ----------
    found
        What to show.
    figure
        SVG with a panel per sweep.
    scales
        Sweep to the words for its levels.
    cutoffs
        Those that were used.
    """
    tables = {
        "sweeps": [_values(line) for lines in found.sweeps.values() for line in lines],
        "trips-left-out": [_values(line) for line in found.trips],
        "sites-left-out": [_values(line) for line in found.sites],
    }
    for name, rows in tables.items():
        write_text(folder / f"{name}.csv", csv_text(rows))
    values = {name.replace("-", "_"): rows for name, rows in tables.items()}
    write_json(folder / "robustness.json", {"format": 1, **values})
    uri = f"data:image/svg+xml;base64,{base64.b64encode(figure).decode()}"
    page = environment().get_template("robustness.html.j2").render(found=found, figure=uri, scales=scales, c=cutoffs)
    write_text(folder / "robustness.html", page)
    return folder / "robustness.html"


def _judged(scores: Scores, cutoffs: Cutoffs) -> Judged:
    return judge(combine_views(scores, cutoffs.views), cutoffs)


def _where(judged: Judged, keep: np.ndarray) -> Judged:
    scored = judged.scored
    return Judged(
        judged.individuals.where(keep),
        type(scored)(scored.score[keep], scored.held[keep], scored.not_rejected[keep]),
        judged.actions[keep],
    )


def _line(of: str, level: float | None, judged: Judged, cutoffs: Cutoffs) -> Line:
    labels = judged.individuals.label
    excluded = np.array([cutoffs.groups.get(str(name)) == "exclude" for name in labels], dtype=np.bool_)
    named = np.array(named_classes(judged.individuals, cutoffs), dtype=np.str_)
    return Line(
        of=of,
        level=level,
        fish=len(labels),
        right=int((named == labels).sum()),
        excluded=int(excluded.sum()),
        missed=int((excluded & judged.took(Action.PASS)).sum()),
        wanted=int((~excluded).sum()),
        rejected=int((~excluded & judged.took(Action.REJECT)).sum()),
        held=int(judged.took(Action.HOLD).sum()),
        held_share=held_share(judged, cutoffs),
    )


def _values(line: Line) -> dict[str, Any]:
    low, upper = line.interval
    return {
        "of": line.of,
        "level": line.level,
        "fish": line.fish,
        "named_right": line.right,
        "excluded_shown": line.excluded,
        "excluded_passed": line.missed,
        "miss_rate": line.miss_rate,
        "miss_rate_low": low,
        "miss_rate_upper": upper,
        "wanted_shown": line.wanted,
        "wanted_rejected": line.rejected,
        "held": line.held,
        "held_share": line.held_share,
    }


def panels(sweeps: Mapping[str, Sequence[Line]]) -> dict[str, list[tuple[float, float, float]]]:
    """Level, miss rate and share held of each sweep, for a picture; levels without excluded fish are left out."""
    return {
        name: [(line.level or 0.0, line.miss_rate, line.held_share) for line in lines if line.miss_rate is not None]
        for name, lines in sweeps.items()
    }
