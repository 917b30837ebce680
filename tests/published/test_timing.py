"""The arithmetic of time and frames between camera and gate."""

from collections.abc import Callable, Iterable

from passage_cv.gate import timing as t

TABLE = "timing"
Row = dict[str, str]


def budget(*values: float) -> tuple[float, float]:
    distance, speed, gate, margin, control = values
    site = t.TimeBudget(distance_m=distance, speed_m_per_s=speed, gate_s=gate, margin_s=margin, control_s=control)
    return site.travel_s, site.left_s


def blur(*values: float) -> tuple[float, float]:
    metres, pixels = t.motion_blur(*values)
    return metres * 1000, pixels


QUANTITIES: dict[str, Callable[..., Iterable[float]]] = {
    "decision time budget": budget,
    "frames per fish": lambda *values: (t.frames_per_fish(*values),),
    "motion blur in mm and pixels": blur,
    "whole fish in view": t.whole_fish_views,
}


def test_timing(row: Row, agrees: Callable[..., None], numbers: Callable[[str], list[float]]) -> None:
    agrees(row, *QUANTITIES[row["quantity"]](*numbers(row["inputs"])))
