"""Pictures of training and of robustness as SVG; the only part of recognition that knows matplotlib."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from matplotlib.figure import Figure

BINS = 10
Floats = npt.NDArray[np.float64]
STYLES = (("#1f6f8b", "-", "o"), ("#8a3b12", "--", "s"), ("#5b4b8a", "-.", "^"), ("#1d2a30", ":", "d"))


def draw_reliability(confidence: Floats, is_right: npt.NDArray[np.bool_]) -> bytes:
    """Share right against the probability of the class named first, individuals in ten bins.

    Parameters
    ----------
    confidence, is_right
        Of each individual, shape (n,).
    """
    figure = Figure(figsize=(4.4, 4.2), layout="constrained")
    axes = figure.subplots()
    place = np.minimum((confidence * BINS).astype(int), BINS - 1)
    counts = np.bincount(place, minlength=BINS)
    met = counts > 0
    x = np.bincount(place, weights=confidence, minlength=BINS)[met] / counts[met]
    y = np.bincount(place, weights=is_right, minlength=BINS)[met] / counts[met]
    axes.plot([0, 1], [0, 1], color="#888888", linewidth=1)
    axes.plot(x, y, color=STYLES[0][0], marker="o")
    for at, right, count in zip(x, y, counts[met], strict=True):
        axes.annotate(str(count), (at, right), textcoords="offset points", xytext=(5, -11), fontsize=7)
    axes.set(xlim=(0, 1.02), ylim=(0, 1.02), xlabel="probability of the class named first", ylabel="share right")
    axes.set_title("Out of fold, before model calibration; numbers are fish", fontsize=9)
    return _svg(figure)


def draw_curves(curves: Mapping[str, Sequence[tuple[int, float]]]) -> bytes:
    """One panel per curve."""
    figure = Figure(figsize=(4.4, 2.4 * len(curves)), layout="constrained")
    panels = np.atleast_1d(figure.subplots(len(curves), 1))
    for axes, (name, curve) in zip(panels, curves.items(), strict=True):
        axes.plot([step for step, _ in curve], [value for _, value in curve], marker=".", color=STYLES[0][0])
        axes.set(xlabel="epoch" if name.startswith("judged") else "candidate", ylabel=name.split("_")[-1])
    return _svg(figure)


def draw_sweeps(sweeps: Mapping[str, Sequence[tuple[float, float, float]]], scales: Mapping[str, str]) -> bytes:
    """A panel per sweep: miss rate and share held against the level, levels in the order given.

    Parameters
    ----------
    sweeps
        Name to (level, miss rate, share held).
    scales
        Name to the words for its levels.
    """
    rows = -(-len(sweeps) // 2)
    figure = Figure(figsize=(6.6, 2.0 * rows), layout="constrained")
    panels = figure.subplots(rows, 2, squeeze=False, sharey=True).ravel()
    for axes in panels[len(sweeps) :]:
        axes.set_axis_off()
    for axes, (name, lines) in zip(panels, sweeps.items(), strict=False):
        places = range(len(lines))
        for (colour, style, mark), values, label, fill in zip(
            STYLES,
            ([line[1] for line in lines], [line[2] for line in lines]),
            ("passed", "held"),
            ("full", "none"),
            strict=False,
        ):
            axes.plot(places, values, color=colour, linestyle=style, marker=mark, fillstyle=fill, label=label)
        axes.set_xticks(list(places), [f"{line[0]:g}" for line in lines])
        axes.set_ylim(-0.03, 1.03)
        axes.set_title(name, fontsize=9)
        axes.set_xlabel(scales[name], fontsize=8)
    panels[0].legend(["excluded fish passed", "fish held"], fontsize=7, frameon=False)
    return _svg(figure)


def _svg(figure: Figure) -> bytes:
    stream = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "passage_cv"}):  # else every drawing has other names inside
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    return stream.getvalue()
