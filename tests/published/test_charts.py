"""Control charts against the handbook series that print them."""

from collections.abc import Callable, Iterable

import numpy as np
import numpy.typing as npt

from passage_cv.stats import charts as c

TABLE = "charts"
Row = dict[str, str]
Floats = npt.NDArray[np.float64]

NIST: dict[str, float] = {"target": 50, "deviation": 2.0539, "weight": 0.3}


def montgomery(values: Floats) -> tuple[Floats, Floats]:
    return c.cusum(values, target=10, allowance=0.5)


def lower_sums(values: Floats) -> tuple[float, ...]:
    _, lower = montgomery(values)
    return (*(float(lower[i - 1]) for i in (1, 2, 3, 7, 19)), float(lower.max()))


def run_lengths(values: Floats) -> tuple[float, ...]:
    decision = float(values[0])
    return tuple(c.cusum_run_length(allowance=0.5, decision=decision, shift=shift) for shift in (0, 1))


def chart_limits(values: Floats) -> tuple[float, ...]:
    chart = c.p_chart(values, 50)
    return chart.centre, float(chart.upper[0]), float(chart.lower[0])


QUANTITIES: dict[str, Callable[[Floats], Iterable[float]]] = {
    "ewma": lambda v: c.ewma(v, weight=0.3, start=50).tolist(),
    "ewma steady limits": lambda _: reversed(c.ewma_steady_limits(**NIST)),
    "ewma first upper limit": lambda _: (float(c.ewma_limits(1, **NIST)[1][0]),),
    "cusum upper sums": lambda v: montgomery(v)[0].tolist(),
    "cusum first signal": lambda v: ((c.first_signal(montgomery(v)[0], 5) or 0) + 1,),
    "cusum lower sums": lower_sums,
    "cusum run length": run_lengths,
    "p-chart": chart_limits,
    "p-chart outside": lambda v: tuple(i + 1 for i in c.p_chart(v, 50).outside),
}


def test_charts(row: Row, agrees: Callable[..., None], numbers: Callable[[str], list[float]]) -> None:
    values = np.array(numbers(row["values"]) if row["values"] else [])
    agrees(row, *QUANTITIES[row["quantity"]](values))
