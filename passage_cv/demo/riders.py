"""Animals that ride on a fish: leeches and fish lice, which change its outline and colour (handbook 6)."""

from __future__ import annotations

import numpy as np

from passage_cv.demo.canvas import Canvas, shifted, tapered


def paint_rider(canvas: Canvas, rng: np.random.Generator) -> None:
    """Hang one to three animals on a painted fish."""
    for _ in range(int(rng.integers(1, 4))):
        t, y = float(rng.uniform(0.25, 0.75)), float(rng.normal(0, 0.025))
        if rng.random() < 0.6:
            s = np.linspace(0, 1, 16)
            long, turn = rng.uniform(0.05, 0.10), rng.uniform(-1.2, 1.2)
            line = np.stack(
                [t + long * s * np.cos(turn), y - long * s * np.sin(turn) + 0.012 * np.sin(6 * s)], axis=1
            )
            canvas.fill(tapered(shifted(line, 0.002, -0.003), 0.016), colour=(0.05, 0.05, 0.04), alpha=0.3, blur=1.2)
            canvas.fill(tapered(line, 0.014), colour=(0.20, 0.14, 0.10), alpha=0.95, blur=0.4)
            canvas.fill(tapered(shifted(line, 0, 0.002), 0.005), colour=(0.42, 0.33, 0.24), alpha=0.5, blur=0.6)
        else:
            canvas.disc((t, y), 0.009, (0.55, 0.52, 0.38), alpha=0.75, blur=0.6, squash=0.8)
            canvas.disc((t - 0.002, y), 0.004, (0.25, 0.22, 0.15), alpha=0.7, blur=0.4)
