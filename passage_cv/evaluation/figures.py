"""Draw the report's pictures as SVG; the only part of evaluation that knows matplotlib.

Every picture also reads in grey and with colour-vision deficiency: groups differ by line style and fill pattern, not
by colour alone. On a dark screen a picture turns its own colours; on paper it stays as it is.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Callable, Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from passage_cv.decision.cost_range import CostMoves
from passage_cv.evaluation.assess import Assessment
from passage_cv.evaluation.comparison import Comparison
from passage_cv.evaluation.judging import Judged
from passage_cv.evaluation.misses import ClassCount
from passage_cv.evaluation.reliability import Bin, Reliability
from passage_cv.scores import Floats

INK, PAPER, EXCLUDED, WANTED, PROTECTED = "#1d2a30", "#ffffff", "#8a3b12", "#1f6f8b", "#5b4b8a"
PASS_FILL, HOLD_FILL, REJECT_FILL = "#bcd9e3", "#f2e3bd", "#8f8377"
DARK = {
    INK: "#e4e9ea",
    PAPER: "#161d20",
    EXCLUDED: "#f0a17a",
    WANTED: "#7cc4dd",
    PROTECTED: "#b9a8ea",
    PASS_FILL: "#2f5d6e",
    HOLD_FILL: "#6b5a2c",
    REJECT_FILL: "#9a8f84",
}
"""What each colour becomes on a dark screen."""
GROUP_STYLE: dict[Any, Any] = {
    "exclude": ("excluded", EXCLUDED, "-"),
    "pass": ("wanted", WANTED, "--"),
    "protected": ("protected", PROTECTED, "-."),
}
ACTION_STYLE = (("passed", PASS_FILL, ""), ("held", HOLD_FILL, "////"), ("rejected", REJECT_FILL, "xx"))
WIDTH = 6.6
_STYLE: dict[Any, Any] = {
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.edgecolor": INK,
    "axes.facecolor": PAPER,
    "axes.labelcolor": INK,
    "figure.facecolor": PAPER,
    "hatch.color": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "hatch.linewidth": 0.5,
    "svg.fonttype": "none",
    "svg.hashsalt": "passage_cv",
}


def draw_all(assessment: Assessment, comparison: Comparison | None = None) -> dict[str, str]:
    """Every picture of the report by name, as data addresses; one that has nothing to show is left out."""
    pictures: dict[str, Callable[[], Figure]] = {
        "actions": lambda: draw_actions(assessment.counts),
        "distributions": lambda: draw_distributions(assessment),
        "costs": lambda: draw_costs(assessment),
    }
    if assessment.confusion.sum():
        pictures["confusion"] = lambda: draw_confusion(assessment)
    if (reliability := assessment.reliability) is not None:
        pictures["reliability"] = lambda: draw_reliability(reliability)
    if comparison is not None:
        pictures["comparison"] = lambda: draw_comparison(comparison)
    with mpl.rc_context(_STYLE):
        return {name: as_data(svg_of(draw(), name)) for name, draw in pictures.items()}


def as_data(svg: str) -> str:
    """An SVG as an address that a page can hold."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()


def svg_of(figure: Figure, name: str) -> str:
    """A figure as SVG with its own colours for a dark screen; the same bytes every time."""
    out = io.StringIO()
    with mpl.rc_context({"svg.hashsalt": name}):
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    head, body = out.getvalue().split("<defs>", 1)
    return f"{head}<style>{_dark_rules()}</style><defs>{body}"


def draw_distributions(assessment: Assessment) -> Figure:
    """Cumulative shares of the gate score per group, with both cutoffs."""
    figure, axes = _canvas(WIDTH, 3.0)
    for group, (name, colour, line) in GROUP_STYLE.items():
        score = _scores_of(assessment.judged, assessment, group)
        if len(score):
            share = 100 * np.arange(1, len(score) + 1) / len(score)
            label = f"{name}, {len(score)} fish"
            axes.step(*_thinned(score, share), where="post", color=colour, linestyle=line, label=label)
    _mark_cutoffs(axes, assessment)
    axes.set(
        xlabel="gate score (natural log-odds; to the right: more like an excluded class)",
        ylabel="% of fish at or below",
        ylim=(0, 100),
    )
    axes.legend(frameon=False, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3)
    return figure


def draw_costs(assessment: Assessment) -> Figure:
    """Expected cost per presentation against each cutoff, on the fish that set them."""
    curve, cutoffs = assessment.curve, assessment.cutoffs
    figure, axes = _canvas(WIDTH, 3.2)
    axes.plot(curve.cutoffs, curve.moving_u, color=WANTED, label="pass cutoff moves")
    axes.plot(curve.cutoffs, curve.moving_v, color=EXCLUDED, linestyle="--", label="reject cutoff moves")
    chosen = cutoffs.expected_cost.chosen
    for value, marker, colour, name in (
        (cutoffs.u, "o", WANTED, "pass cutoff chosen"),
        (cutoffs.v, "s", EXCLUDED, "reject cutoff chosen"),
    ):
        if value is not None:
            axes.plot([value], [chosen], marker=marker, color=colour, linestyle="none", label=name)
    end = curve.cutoffs[-1] if len(curve.cutoffs) else 0.0
    if cutoffs.u_cap is not None and cutoffs.u_cap < end:
        span = axes.axvspan(cutoffs.u_cap, end, facecolor=HOLD_FILL, hatch="//", edgecolor=INK, linewidth=0)
        span.set(alpha=0.5, label="pass cutoff not allowed")
    axes.set(xlabel="cutoff on the gate score", ylabel="expected cost per fish")
    axes.set_ylim(0, max(cutoffs.expected_cost.hold_all, chosen) * 2.2)
    if len(curve.cutoffs):
        axes.set_xlim(curve.cutoffs[0], end)
    axes.legend(frameon=False, fontsize=8, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3)
    return figure


def draw_actions(counts: Sequence[ClassCount]) -> Figure:
    """What was done with each class: share passed, held and rejected, with the number of fish."""
    counts = [count for count in counts if count.shown]
    figure, axes = _canvas(WIDTH, 0.7 + 0.24 * len(counts))
    places = np.arange(len(counts))[::-1]
    left = np.zeros(len(counts))
    shown = np.array([count.shown for count in counts])
    for name, fill, hatch in ACTION_STYLE:
        width = 100 * np.array([getattr(count, name) for count in counts]) / shown
        axes.barh(places, width, left=left, color=fill, hatch=hatch, edgecolor=INK, linewidth=0.4, label=name)
        left += width
    axes.set_yticks(places, [f"{count.code} ({count.group}, {count.shown})" for count in counts])
    axes.set(xlabel="% of the fish shown", xlim=(0, 100))
    axes.legend(frameon=False, ncols=3, loc="lower center", bbox_to_anchor=(0.5, 1.0))
    return figure


def draw_confusion(assessment: Assessment) -> Figure:
    """True class against the class named first, per individual; darker means a larger share of the row."""
    table, classes = assessment.confusion, assessment.cutoffs.classes
    side = 1.4 + 0.34 * len(classes)
    figure, axes = _canvas(side + 1.0, side)
    rows = table / np.maximum(table.sum(axis=1, keepdims=True), 1)
    for i, j in zip(*np.nonzero(table), strict=True):
        axes.add_patch(_square(j, i, float(rows[i, j])))
        axes.text(j, i, str(table[i, j]), ha="center", va="center", fontsize=8)
    axes.set(xlim=(-0.5, len(classes) - 0.5), ylim=(len(classes) - 0.5, -0.5), aspect="equal")
    axes.set_xticks(range(len(classes)), classes, rotation=90)
    axes.set_yticks(range(len(classes)), classes)
    axes.set(xlabel="named first", ylabel="true class")
    axes.spines[:].set_visible(True)
    return figure


def draw_reliability(reliability: Reliability) -> Figure:
    """Predicted against observed share of excluded fish, without and with the model calibration."""
    figure = Figure(figsize=(WIDTH, 3.1), layout="constrained")
    panels = figure.subplots(1, 2, sharey=True)
    for axes, bins, title, loss in (
        (panels[0], reliability.before, "before model calibration", reliability.loss_before),
        (panels[1], reliability.after, "after", reliability.loss_after),
    ):
        axes.plot([0, 100], [0, 100], color=INK, linestyle=":", linewidth=1)
        _draw_bins(axes, bins)
        axes.set_title(f"{title}: log loss {loss:.3f}", fontsize=9)
        axes.set(xlabel="predicted % excluded", xlim=(-4, 104), ylim=(-4, 104))
    panels[0].set_ylabel("observed % excluded")
    return figure


def draw_comparison(comparison: Comparison) -> Figure:
    """Error rate per class with its interval, in the report before and in this one."""
    rows = [pair for pair in comparison.classes if any(count is not None and count.shown for count in pair)]
    figure, axes = _canvas(WIDTH, 0.7 + 0.32 * len(rows))
    places = np.arange(len(rows))[::-1]
    for shift, marker, colour, name, side in ((0.15, "s", EXCLUDED, "before", 0), (-0.15, "o", WANTED, "now", 1)):
        met = [
            (place, count) for place, pair in zip(places, rows, strict=True) if (count := pair[side]) and count.shown
        ]
        rates = np.array([100 * count.errors / count.shown for _, count in met])
        ends = 100 * np.array([count.interval for _, count in met]).reshape(-1, 2).T
        where = np.array([place for place, _ in met]) + shift
        spread = np.abs(ends - rates)
        axes.errorbar(rates, where, xerr=spread, fmt=marker, color=colour, markersize=4, linewidth=1, label=name)
    axes.set_yticks(places, [f"{now.code} ({now.group})" for _, now in rows])
    axes.set(xlabel="% given the wrong final action, with exact interval")
    axes.set_xlim(left=-0.6)
    axes.legend(frameon=False, ncols=2, loc="lower center", bbox_to_anchor=(0.5, 1.0))
    return figure


def draw_cost_moves(moves: CostMoves) -> Figure:
    """Share of fish treated otherwise at the ends of each cost's range, and with all costs moved together."""
    figure, axes = _canvas(WIDTH, 0.9 + 0.28 * (len(moves.ends) + 1))
    places = np.arange(len(moves.ends), 0, -1)
    ends = 100 * np.array([one.moved for one in moves.ends]).reshape(-1, 2)
    axes.hlines(places, 0, ends.max(axis=1, initial=0), color=INK, linewidth=0.6)
    axes.plot(ends[:, 0], places, "s", color=WANTED, markersize=5, label="lowest cost named", linestyle="none")
    axes.plot(ends[:, 1], places, "o", color=EXCLUDED, markersize=5, label="highest cost named", linestyle="none")
    together = 100 * np.percentile(moves.together, [5, 50, 95])
    axes.hlines([0], together[0], together[2], color=INK, linewidth=3)
    axes.plot(
        [together[1]], [0], "D", color=INK, markersize=5, label="all moved: 5, 50, 95 of 100 draws", linestyle="none"
    )
    names = [f"{one.about}, {one.kind}: {one.low:g} to {one.high:g}" for one in moves.ends]
    axes.set_yticks([*places, 0], [*names, "all together"])
    axes.set(xlabel="% of fish treated otherwise than at the likely costs")
    axes.set_xlim(left=min(-0.02 * axes.get_xlim()[1], -0.05))
    axes.legend(frameon=False, fontsize=8, ncols=3, loc="lower center", bbox_to_anchor=(0.4, 1.0))
    return figure


def draw_cost_picture(moves: CostMoves) -> str:
    """The picture of cost ranges as a data address."""
    with mpl.rc_context(_STYLE):
        return as_data(svg_of(draw_cost_moves(moves), "costs"))


def _draw_bins(axes: Axes, bins: Sequence[Bin]) -> None:
    predicted = np.array([100 * one.predicted for one in bins])
    observed = np.array([100 * one.excluded / one.fish for one in bins])
    ends = 100 * np.array([one.interval for one in bins]).reshape(-1, 2).T
    spread = np.abs(ends - observed)
    axes.errorbar(predicted, observed, yerr=spread, fmt="o", color=EXCLUDED, markersize=4, linewidth=1)


def _square(x: int, y: int, share: float) -> Any:  # noqa: ANN401 - matplotlib's patches are untyped here
    side = 0.25 + 0.7 * np.sqrt(share)  # area grows with the share, so grey print and dark screens read it alike
    return mpl.patches.Rectangle(
        (x - side / 2, y - side / 2), side, side, facecolor=PASS_FILL, edgecolor=INK, linewidth=0.4
    )


def _scores_of(judged: Judged, assessment: Assessment, group: str) -> Floats:
    codes = [name for name, own in assessment.cutoffs.groups.items() if own == group]
    score = judged.scored.score[np.isin(judged.individuals.label, codes)]
    return np.sort(score[np.isfinite(score)])


def _thinned(score: Floats, share: Floats, most: int = 1000) -> tuple[Floats, Floats]:
    """At most so many steps of a long curve, both ends kept."""
    if len(score) <= most:
        return score, share
    kept = np.unique(np.linspace(0, len(score) - 1, most).astype(int))
    return score[kept], share[kept]


def _mark_cutoffs(axes: Axes, assessment: Assessment) -> None:
    for value, text, side in (
        (assessment.cutoffs.u, "pass below", "right"),
        (assessment.cutoffs.v, "reject above", "left"),
    ):
        if value is not None:
            axes.axvline(value, color=INK, linewidth=1, linestyle=":")
            shift = (-3, 0) if side == "right" else (3, 0)
            axes.annotate(
                f"{text}\n{value:.2f}",
                (value, 88),
                xytext=shift,
                textcoords="offset points",
                fontsize=8,
                ha=side,
                bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.85, "pad": 1},
            )


def _canvas(width: float, height: float) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(width, height), layout="constrained")
    return figure, figure.subplots()


def _dark_rules() -> str:
    rules = "".join(
        f'[style*="{part}: {light}"],[{part}="{light}"]{{{part}:{dark}!important}}'
        for light, dark in DARK.items()
        for part in ("fill", "stroke")
    )
    return f"@media screen and (prefers-color-scheme: dark){{{rules}}}"
