"""Draw the pictures of the planning pages as SVG whose colours follow the page, light, dark or printed.

The only part of planning that knows matplotlib. Lines differ in style as well as in colour.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from passage_cv.planning.run_size import RunSize
from passage_cv.planning.season import ClassOutcome, Season
from passage_cv.planning.tally import MARKS, Book
from passage_cv.stats.binomial import probability_at_most, upper_limit

# Stand-ins that _svg replaces by the page's own colours.
INK, CALM, STOP, FILL, FILL_STOP, LINE = "#010101", "#020202", "#030303", "#040404", "#050505", "#060606"
_NAMES = {INK: "ink", CALM: "calm", STOP: "stop", FILL: "fill", FILL_STOP: "fill-stop", LINE: "line"}
_LINES = ("-", "--", "-.", ":")
_STYLE: dict[Any, Any] = {
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "grid.color": LINE,
    "grid.linewidth": 0.6,
    "legend.frameon": False,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "svg.fonttype": "none",
}


def draw_limits(individuals: int, *, limit: float, confidence: float) -> str:
    """What a number of fish can show, by misses among them, with the plan marked."""
    counts = np.unique(np.geomspace(5, 10 * individuals, 160).astype(int))
    with mpl.rc_context({**_STYLE, "svg.hashsalt": "limits"}):
        figure, axes = _canvas(6.6, 3.1)
        for misses, line in zip((0, 1, 2, 3), _LINES, strict=True):
            shown = counts[counts > misses]
            upper = [100 * upper_limit(misses, int(n), confidence=confidence) for n in shown]
            axes.plot(shown, upper, line, color=CALM, label=_plural(misses, "miss", "misses"))
        axes.axhline(100 * limit, color=STOP, linewidth=1)
        axes.plot([individuals], [100 * limit], "o", color=STOP, label=f"plan: {individuals} fish")
        axes.set(xscale="log", yscale="log", xlabel="fish in role cut", ylabel="miss rate shown, at most (%)")
        _plain_ticks(axes)
        axes.grid(visible=True)
        axes.legend(ncols=2)
        return _svg(figure, "limits")


def draw_chances(individuals: int, *, misses: int, limit: float) -> str:
    """Chance that a gate with a true miss rate shows its limit, against that rate."""
    rates = np.linspace(0, 1.6 * limit, 120)
    chances = [100 * probability_at_most(misses, individuals, float(rate)) for rate in rates]
    with mpl.rc_context({**_STYLE, "svg.hashsalt": "chances"}):
        figure, axes = _canvas(6.6, 2.7)
        axes.plot(100 * rates, chances, color=CALM)
        axes.axvline(100 * limit, color=STOP, linewidth=1, linestyle="--")
        axes.annotate("limit", (100 * limit, 92), xytext=(4, 0), textcoords="offset points")
        axes.set(xlabel="true miss rate of the gate (%)", ylabel="chance to show it (%)", ylim=(0, 101))
        axes.set_xlim(0, 160 * limit)
        axes.grid(visible=True)
        return _svg(figure, "chances")


def draw_estimates(found: Sequence[RunSize]) -> str:
    """Estimates of the run with their intervals, one line each."""
    with mpl.rc_context({**_STYLE, "svg.hashsalt": "estimates"}):
        figure, axes = _canvas(6.6, 0.8 + 0.4 * len(found))
        places = np.arange(len(found))[::-1]
        for place, one in zip(places, found, strict=True):
            axes.plot([one.low, one.upper], [place, place], color=CALM, linewidth=2)
            axes.plot([one.estimate], [place], "o", color=CALM)
        axes.set_yticks(places, [one.method for one in found])
        axes.set(xlabel="fish in the run", ylim=(-0.6, len(found) - 0.4))
        axes.set_xlim(left=0)
        axes.grid(visible=True, axis="x")
        return _svg(figure, "estimates")


def draw_passed(classes: Sequence[ClassOutcome], tolerable: Sequence[int]) -> str:
    """How many excluded fish are passed in a season: share of seasons per number, a panel per class."""
    with mpl.rc_context({**_STYLE, "svg.hashsalt": "passed"}):
        figure = Figure(figsize=(6.6, 0.5 + 1.7 * len(classes)), layout="constrained")
        panels = figure.subplots(len(classes), 1, squeeze=False)[:, 0]
        for axes, one, limit in zip(panels, classes, tolerable, strict=True):
            top = max(limit + 2, int(np.percentile(one.passed, 99.5)) + 1)
            shares = 100 * np.bincount(np.minimum(one.passed, top), minlength=top + 1) / len(one.passed)
            colours = [FILL if number <= limit else FILL_STOP for number in range(top + 1)]
            hatches = ["" if number <= limit else "///" for number in range(top + 1)]
            axes.bar(range(top + 1), shares, color=colours, hatch=hatches, edgecolor=INK, linewidth=0.5)
            axes.axvline(limit + 0.5, color=STOP, linewidth=1, linestyle="--")
            axes.set(ylabel="% of seasons", xlim=(-0.6, top + 0.6))
            axes.set_title(f"{one.code}: more than {limit} are not tolerable", fontsize=9, loc="left")
            step = max(1, (top + 1) // 12)
            axes.set_xticks(
                range(0, top + 1, step), [f"{n}+" if n == top else str(n) for n in range(0, top + 1, step)]
            )
        panels[-1].set_xlabel("fish passed in one season")
        return _svg(figure, "passed")


def draw_load(season: Season) -> str:
    """Fish held per day: mean and 95 % point over seasons, with what the crew can look at."""
    mean, _, upper = season.held_by_day.T
    days = np.arange(1, len(mean) + 1)
    crew = season.plan.crew_holds_per_day
    with mpl.rc_context({**_STYLE, "svg.hashsalt": "load"}):
        figure, axes = _canvas(6.6, 2.7)
        axes.fill_between(days, 0, upper, step="mid", color=FILL, label="19 seasons of 20 stay below")
        axes.step(days, mean, where="mid", color=CALM, label="mean")
        axes.axhline(crew, color=STOP, linewidth=1, linestyle="--", label=f"crew: {crew} a day")
        axes.set(xlabel=f"day of the season (1 = {season.plan.first_day})", ylabel="fish held", ylim=(0, None))
        axes.set_xlim(0.5, len(mean) + 0.5)
        axes.yaxis.set_major_locator(MaxNLocator(integer=True))
        axes.legend(ncols=3, loc="lower center", bbox_to_anchor=(0.5, 1.0))
        return _svg(figure, "load")


def draw_catch(book: Book) -> str:
    """Fish caught per day, by mark."""
    days = sorted({line.day for line in book.traps})
    with mpl.rc_context({**_STYLE, "svg.hashsalt": "catch"}):
        figure, axes = _canvas(6.6, 2.7)
        base = np.zeros(len(days))
        for mark, fill, hatch in zip(MARKS, (FILL_STOP, FILL, "none"), ("///", "", ".."), strict=True):
            caught = np.array([sum(x.caught for x in book.traps if x.day == d and x.mark == mark) for d in days])
            axes.bar(
                range(len(days)),
                caught,
                bottom=base,
                color=fill,
                hatch=hatch,
                edgecolor=INK,
                linewidth=0.5,
                label=mark,
            )
            base += caught
        step = math.ceil(len(days) / 8)
        axes.set_xticks(range(0, len(days), step), [f"{day:%d %b}" for day in days[::step]])
        axes.set(ylabel="fish caught")
        axes.legend(ncols=3, loc="lower center", bbox_to_anchor=(0.5, 1.0))
        return _svg(figure, "catch")


def _plural(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _plain_ticks(axes: Axes) -> None:
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter(lambda value, _: f"{value:g}")
        axis.set_minor_formatter(lambda _value, _: "")


def _canvas(width: float, height: float) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(width, height), layout="constrained")
    return figure, figure.subplots()


def _svg(figure: Figure, key: str) -> str:
    """The drawing as an SVG element for inside a page: page colours, ids of its own, no metadata."""
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = out.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    for colour, name in _NAMES.items():
        text = text.replace(colour, f"var(--{name})")
    return re.sub(r'(id="|url\(#|href="#)', rf"\g<1>{key}-", text)
