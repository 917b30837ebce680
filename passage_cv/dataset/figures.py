"""A picture of what was imaged: individuals of each class by light and turbidity, by size, and by trip.

The only module of the data set that knows matplotlib. It reads in grey: numbers stand in the cells, and cells
below the wanted number are hatched.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from passage_cv.dataset.coverage import DIMENSIONS, UNKNOWN, Cell, count_cover, cross_cover
from passage_cv.dataset.versions import Version
from passage_cv.files import write_bytes

INK, PAPER, THIN = "#1d2a30", "#ffffff", "#8a3b12"
_CELL_IN = 0.34
_LABELS_IN = 3.2
_MOST_TRIPS = 40
_STYLE: dict[Any, Any] = {"font.size": 8, "text.color": INK, "axes.edgecolor": INK, "hatch.linewidth": 0.6}

Counts = npt.NDArray[np.int64]


def draw_cover(version: Version, path: Path, *, least: int) -> str:
    """Draw the coverage of a version as PNG or SVG by the path's ending, and return the file's hash.

    Parameters
    ----------
    version
        What to draw; excluded pictures are left out.
    path
        Where to write.
    least
        Individuals wanted in each cell; cells below it are hatched.
    """
    names, panels = _panels(version)
    widths = [len(levels) for _, levels, _ in panels]
    size = (_LABELS_IN + _CELL_IN * (sum(widths) + 2 * len(widths)), 2.6 + _CELL_IN * len(names))
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=size, facecolor=PAPER, layout="constrained")
        axes = figure.subplots(1, len(panels), width_ratios=widths, squeeze=False)[0]
        for i, (title, levels, counts) in enumerate(panels):
            _panel(axes[i], title, levels, counts, least)
            axes[i].set_yticks(range(len(names)), names if i == 0 else [""] * len(names), style="italic")
        figure.suptitle(
            f"Individuals of version {version.name}; hatched: fewer than {least}", fontsize=10, x=0.01, ha="left"
        )
        return _write(figure, path)


def _panels(version: Version) -> tuple[list[str], list[tuple[str, list[str], Counts]]]:
    """Class names, and per panel its title, levels and counts, shape (n_classes, n_levels)."""
    cells = cross_cover(version)
    names = sorted({name for name, *_ in cells})
    water: dict[tuple[str, str], set[str]] = {}
    for (name, _, light, turbidity), who in cells.items():
        water.setdefault((name, f"{light}, {turbidity}"), set()).update(who)
    levels = sorted({level for _, level in water}, key=_water_order)
    by_water = np.array([[len(water.get((name, level), ())) for level in levels] for name in names])
    return names, [
        ("light and turbidity", levels, by_water),
        _one_dimension(count_cover(version, ("size",)), "size", names),
        _one_dimension(count_cover(version, ("trip",)), "trip", names),
    ]


def _one_dimension(cells: list[Cell], dimension: str, names: list[str]) -> tuple[str, list[str], Counts]:
    assert dimension in DIMENSIONS
    levels = sorted({cell.level for cell in cells}, key=lambda level: (level == UNKNOWN, _as_order(level)))
    shown = levels[-_MOST_TRIPS:]
    title = dimension if len(shown) == len(levels) else f"last {len(shown)} of {len(levels)} {dimension}s"
    counts = {(cell.name, cell.level): cell.n_individuals for cell in cells}
    return title, shown, np.array([[counts[name, level] for level in shown] for name in names])


def _water_order(level: str) -> tuple[str, float, str]:
    light, _, turbidity = level.partition(", ")
    return (light, *_as_order(turbidity))


def _as_order(level: str) -> tuple[float, str]:
    """``under 200 mm`` before ``200 to 400 mm`` before ``700 mm and more``; other levels by their text."""
    if level.startswith("under "):
        return -1.0, level
    first = level.partition(" ")[0]
    return (float(first), level) if first.replace(".", "").isdigit() else (0.0, level)


def _panel(axes: Axes, title: str, levels: list[str], counts: Counts, least: int) -> None:
    top = max(least, int(counts.max(initial=1)))
    axes.imshow(np.log1p(counts), cmap="Blues", vmin=0, vmax=1.6 * np.log1p(top), aspect="auto")
    for (row, column), n in np.ndenumerate(counts):
        thin = n < least
        axes.text(column, row, str(n), ha="center", va="center", fontsize=6.5, color=THIN if thin else INK)
        if thin:
            axes.add_patch(
                mpl.patches.Rectangle((column - 0.5, row - 0.5), 1, 1, fill=False, hatch="///", ec="#d9c3b8", lw=0)
            )
    axes.set_title(title, loc="left", fontsize=9)
    axes.set_xticks(range(len(levels)), levels, rotation=60, ha="right", rotation_mode="anchor")
    axes.tick_params(length=0)
    axes.spines[:].set_visible(False)


def _write(figure: Figure, path: Path) -> str:
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".part-{path.name}")
    figure.savefig(part, format=path.suffix.lstrip(".").lower() or "png", dpi=130)
    try:
        return write_bytes(path, part.read_bytes())
    finally:
        part.unlink()
