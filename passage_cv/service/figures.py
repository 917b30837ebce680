"""Draw the charts of a gate as one SVG; the only part of service that knows matplotlib.

Reads in grey too: usual days and signals differ by their marks, not by colour alone.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from passage_cv.service.drift import MEANS, Day, DriftReport

INK, QUIET, SIGNAL = "#1d2a30", "#1f6f8b", "#8a3b12"
WIDTH, HEIGHT_EACH = 8.0, 1.9
_STYLE: dict[Any, Any] = {
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.edgecolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "svg.hashsalt": "passage-cv",
}
TICKS = 10


def draw_charts(report: DriftReport) -> bytes:
    """Hold rate, species mix and the daily means that were measured, with the days that stand out marked."""
    panels: list[tuple[str, list[float | None]]] = [("hold rate", [day.held / day.n for day in report.days])]
    panels += [
        (f"share seen as {name}", [day.top.get(name, 0) / day.n for day in report.days])
        for name in _seen(report.days)
    ]
    panels += [
        (f"mean {name}", [day.means[name] for day in report.days])
        for name in MEANS
        if any(day.means[name] is not None for day in report.days)
    ]
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(WIDTH, HEIGHT_EACH * len(panels)), layout="constrained")
        axes = figure.subplots(len(panels), 1, sharex=True, squeeze=False)[:, 0]
        for one, (name, values) in zip(axes, panels, strict=True):
            _draw(one, name, values, report)
        figure.supxlabel(
            "grey: the days that say what is usual · square: outside its limits · triangle: its sum is", fontsize=8
        )
        stream = io.BytesIO()
        figure.savefig(stream, format="svg", metadata={"Date": None})
    return stream.getvalue()


def _draw(axes: Axes, name: str, values: Sequence[float | None], report: DriftReport) -> None:
    shown = [float("nan") if value is None else value for value in values]
    places = range(len(shown))
    axes.plot(places, shown, "-o", color=QUIET, markersize=3, linewidth=1)
    for chart, mark in ((name, "s"), (f"{name}, summed", "^")):
        dates = {signal.date for signal in report.signals if signal.chart == chart}
        found = [n for n, day in enumerate(report.days) if day.date in dates]
        axes.plot(
            found, [shown[n] for n in found], mark, color=SIGNAL, markersize=7, fillstyle="none", linestyle="none"
        )
    if report.baseline:
        axes.axvspan(-0.5, report.baseline - 0.5, color="#e9eeee", zorder=0, linewidth=0)
    axes.set_title(name, loc="left", fontsize=9)
    every = max(1, len(shown) // TICKS)
    axes.set_xticks(list(places)[::every], [day.date[5:] for day in report.days][::every])


def _seen(days: Sequence[Day]) -> list[str]:
    return sorted({name for day in days for name in day.top})
