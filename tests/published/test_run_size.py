"""Run sizes from marks against the books that print them."""

from collections.abc import Callable

from passage_cv.planning import run_size as r

TABLE = "run_size"
Row = dict[str, str]


def occasions(row: Row) -> list[r.Occasion]:
    columns = [[int(word) for word in row[name].split()] for name in ("caught", "recaptured", "marked")]
    return [r.Occasion(c - m, m, back) for c, m, back in zip(*columns, strict=True)]


def single(row: Row) -> tuple[int, int, int]:
    return int(row["marked"]), int(row["caught"]), int(row["recaptured"])


def chapman(row: Row) -> tuple[float, ...]:
    found = r.chapman(*single(row))
    return found.estimate, found.standard_error


def chapman_interval(row: Row) -> tuple[float, ...]:
    found = r.chapman(*single(row))
    return found.low, found.upper


def schumacher_interval(row: Row) -> tuple[float, ...]:
    found = r.schumacher_eschmeyer(occasions(row))
    return found.low, found.upper


def trap(row: Row) -> tuple[float, ...]:
    released, unmarked, retaken = single(row)
    return (
        *r.raw_trap_expansion(released, retaken, unmarked),
        r.trap_efficiency(released, retaken, unmarked).estimate,
    )


QUANTITIES: dict[str, Callable[[Row], tuple[float, ...]]] = {
    "chapman": chapman,
    "chapman interval": chapman_interval,
    "petersen": lambda row: (r.petersen(*single(row)).estimate,),
    "schnabel": lambda row: tuple(
        r.schnabel(occasions(row), corrected=corrected).estimate for corrected in (False, True)
    ),
    "schumacher-eschmeyer": lambda row: (r.schumacher_eschmeyer(occasions(row)).estimate,),
    "schumacher-eschmeyer interval": schumacher_interval,
    "trap efficiency": trap,
}


def test_run_size(row: Row, agrees: Callable[..., None]) -> None:
    agrees(row, *QUANTITIES[row["quantity"]](row))
