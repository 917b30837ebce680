"""Draw the report's pictures as SVG; the only part of evaluation that knows matplotlib.

Every picture also reads in grey and with colour-vision deficiency: groups differ by line style and fill pattern,
not by colour alone.
"""

from __future__ import annotations

import io
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from passage_cv.evaluation.assess import Assessment
from passage_cv.evaluation.judging import Judged
from passage_cv.scores import Floats

mpl.use("svg")

INK, EXCLUDED, WANTED, PROTECTED = "#1d2a30", "#8a3b12", "#1f6f8b", "#5b4b8a"
PASS_FILL, HOLD_FILL, REJECT_FILL = "#bcd9e3", "#f2e3bd", "#8f8377"
GROUP_STYLE: dict[Any, Any] = {
    "exclude": ("excluded", EXCLUDED, "-"),
    "pass": ("wanted", WANTED, "--"),
    "protected": ("protected", PROTECTED, "-."),
}
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
    "svg.fonttype": "none",
    "svg.hashsalt": "passage_cv",
}


def draw_distributions(assessment: Assessment) -> str:
    """Cumulative shares of the gate score per group, with both cutoffs."""
    with mpl.rc_context(_STYLE):
        figure, axes = _canvas(6.6, 3.0)
        for group, (name, colour, line) in GROUP_STYLE.items():
            score = _scores_of(assessment.judged, assessment, group)
            if len(score):
                axes.step(
                    score,
                    100 * np.arange(1, len(score) + 1) / len(score),
                    where="post",
                    color=colour,
                    linestyle=line,
                    label=f"{name}, {len(score)} fish",
                )
        _mark_cutoffs(axes, assessment)
        axes.set(
            xlabel="gate score (natural log-odds; to the right: more like an excluded class)",
            ylabel="% of fish at or below",
            ylim=(0, 100),
        )
        axes.legend(frameon=False, loc="upper left")
        return _svg(figure)


def draw_costs(assessment: Assessment) -> str:
    """Expected cost per presentation against each cutoff, on the fish that set them."""
    curve, cutoffs = assessment.curve, assessment.cutoffs
    with mpl.rc_context(_STYLE):
        figure, axes = _canvas(6.6, 3.3)
        axes.plot(curve.cutoffs, curve.moving_u, color=WANTED, label="pass cutoff moves")
        axes.plot(curve.cutoffs, curve.moving_v, color=EXCLUDED, linestyle="--", label="reject cutoff moves")
        chosen = cutoffs.expected_cost.chosen
        for value, marker, colour, name in (
            (cutoffs.u, "o", WANTED, "pass cutoff chosen"),
            (cutoffs.v, "s", EXCLUDED, "reject cutoff chosen"),
        ):
            if value is not None:
                axes.plot([value], [chosen], marker=marker, color=colour, linestyle="none", label=name)
        if cutoffs.u_cap is not None:
            axes.axvspan(
                cutoffs.u_cap, curve.cutoffs[-1], color=HOLD_FILL, alpha=0.6, label="pass cutoff not allowed"
            )
        top = max(cutoffs.expected_cost.hold_all, chosen) * 2.2
        axes.set(xlabel="cutoff on the gate score", ylabel="expected cost per fish", ylim=(0, top))
        axes.set_xlim(curve.cutoffs[0], curve.cutoffs[-1])
        axes.legend(frameon=False, fontsize=8, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3)
        return _svg(figure)


def draw_actions(assessment: Assessment) -> str:
    """What was done with each class: share passed, held and rejected, with the number of fish."""
    counts = [count for count in assessment.counts if count.shown]
    with mpl.rc_context(_STYLE):
        figure, axes = _canvas(6.6, 0.7 + 0.27 * len(counts))
        places = np.arange(len(counts))[::-1]
        left = np.zeros(len(counts))
        shown = np.array([count.shown for count in counts])
        for name, fill, hatch in (
            ("passed", PASS_FILL, ""),
            ("held", HOLD_FILL, "////"),
            ("rejected", REJECT_FILL, "xx"),
        ):
            width = 100 * np.array([getattr(count, name) for count in counts]) / shown
            axes.barh(places, width, left=left, color=fill, hatch=hatch, edgecolor=INK, linewidth=0.4, label=name)
            left += width
        labels = [f"{count.code} ({count.group}, {count.shown})" for count in counts]
        axes.set_yticks(places, labels)
        axes.set(xlabel="% of the fish shown", xlim=(0, 100))
        axes.legend(frameon=False, ncols=3, loc="lower center", bbox_to_anchor=(0.5, 1.0))
        return _svg(figure)


def draw_confusion(assessment: Assessment) -> str:
    """True class against the class named first, per individual."""
    table, classes = assessment.confusion, assessment.cutoffs.classes
    side = 1.4 + 0.34 * len(classes)
    with mpl.rc_context(_STYLE):
        figure, axes = _canvas(side + 1.0, side)
        rows = table / np.maximum(table.sum(axis=1, keepdims=True), 1)
        axes.imshow(rows, cmap="Greys", vmin=0, vmax=1.4)
        for i, j in zip(*np.nonzero(table), strict=True):
            axes.text(
                j,
                i,
                str(table[i, j]),
                ha="center",
                va="center",
                color="white" if rows[i, j] > 0.75 else INK,
                fontsize=8,
            )
        axes.set_xticks(range(len(classes)), classes, rotation=90)
        axes.set_yticks(range(len(classes)), classes)
        axes.set(xlabel="named first", ylabel="true class")
        axes.spines[:].set_visible(True)
        return _svg(figure)


def _scores_of(judged: Judged, assessment: Assessment, group: str) -> Floats:
    own = [assessment.cutoffs.groups.get(str(label)) == group for label in judged.individuals.label]
    score = judged.scored.score[np.array(own, dtype=bool)]
    return np.sort(score[np.isfinite(score)])


def _mark_cutoffs(axes: Axes, assessment: Assessment) -> None:
    for value, text in ((assessment.cutoffs.u, "pass below"), (assessment.cutoffs.v, "reject above")):
        if value is not None:
            axes.axvline(value, color=INK, linewidth=1, linestyle=":")
            axes.annotate(f"{text}\n{value:.2f}", (value, 2), xytext=(3, 0), textcoords="offset points", fontsize=8)


def _canvas(width: float, height: float) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(width, height), layout="constrained")
    return figure, figure.subplots()


def _svg(figure: Figure) -> str:
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()
