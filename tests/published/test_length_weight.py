"""Standard weights, relative weights and length relations against printed equations."""

from collections.abc import Callable

from passage_cv.intake import condition as c

TABLE = "length_weight"
Row = dict[str, str]


def _length(row: Row) -> float:
    return float(row["length_mm"])


def _standard(row: Row) -> float:
    found = c.standard_weight_g(row["species"], _length(row))
    assert found is not None
    return found


def _relative(row: Row, *, length_factor: float = 1.0) -> float:
    # The inflated value stands where the shorter length lies below the minimum, so the equation is used bare.
    equation = c.standard_weights()[row["species"]]
    standard = 10**equation.intercept * (_length(row) * length_factor) ** equation.slope
    return 100 * float(row["weight_g"]) / standard


def _inflation(row: Row, factor: float) -> float:
    return _relative(row, length_factor=1 / factor) / _relative(row)


def _relation(species: str, group: str, length_mm: float) -> float:
    (found,) = (r for r in c.weight_relations() if (r.scientific_name, r.group) == (species, group))
    return c.mean_weight_g(found, length_mm)


def _checked_relative(row: Row) -> float:
    found = c.relative_weight(row["species"], _length(row), float(row["weight_g"]))
    assert found is not None
    return found


def _intercept(row: Row) -> float:
    equation = c.standard_weights()[row["species"]]
    return c.intercept_in_cm(10**equation.intercept, equation.slope)


QUANTITIES: dict[str, Callable[[Row], float]] = {
    "standard weight": _standard,
    "standard weight in kg": lambda row: _standard(row) / 1000,
    "has standard weight": lambda row: float(c.standard_weight_g(row["species"], _length(row)) is not None),
    "relative weight": _checked_relative,
    "shad weight": lambda row: _relation(row["species"], "northern female", _length(row)),
    "alewife total length": lambda row: c.alewife_tl_mm(_length(row)),
    "intercept in cm": _intercept,
    "inflation by cm": lambda row: _inflation(row, 10),
    "inflation by inches": lambda row: _inflation(row, 25.4),
    "Potomac weight": lambda row: _relation(row["species"], "Potomac 2004-06", _length(row)),
    "length at age": lambda row: c.length_at_age_mm(float(row["age"]), linf_mm=780, k_per_year=0.48, t0_years=-0.56),
}


def test_length_weight(row: Row, agrees: Callable[..., None]) -> None:
    agrees(row, QUANTITIES[row["quantity"]](row))
