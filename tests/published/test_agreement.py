"""Paired tests and kappa against printed tables."""

from collections.abc import Callable

from passage_cv.stats import agreement as a

TABLE = "agreement"
Row = dict[str, str]


def of_estimate(found: a.Estimate) -> tuple[float, ...]:
    return found.value, found.standard_error, found.low, found.upper


QUANTITIES: dict[str, Callable[[list[list[float]]], tuple[float, ...]]] = {
    "mcnemar asymptotic": lambda t: a.mcnemar_asymptotic(int(t[0][1]), int(t[1][0])),
    "mcnemar corrected": lambda t: a.mcnemar_corrected(int(t[0][1]), int(t[1][0])),
    "mcnemar exact": lambda t: (a.mcnemar_exact(int(t[0][1]), int(t[1][0])),),
    "mcnemar exact and mid-p": lambda t: (
        a.mcnemar_exact(int(t[0][1]), int(t[1][0])),
        a.mcnemar_mid_p(int(t[0][1]), int(t[1][0])),
    ),
    "paired difference": lambda t: of_estimate(
        a.paired_difference(int(t[0][1]), int(t[1][0]), int(sum(map(sum, t))))
    ),
    "cohen kappa": lambda t: of_estimate(a.cohen_kappa(t)),
    "fleiss kappa": lambda t: (a.fleiss_kappa(t),),
}


def test_agreement(row: Row, agrees: Callable[..., None], numbers: Callable[[str], list[list[float]]]) -> None:
    agrees(row, *QUANTITIES[row["quantity"]](numbers(row["table"])))
