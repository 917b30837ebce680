"""Which heads a run chooses from, as its settings file says it; light enough to be read without any library."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field

from passage_cv.config import Settings


class DiscriminantGrid(Settings):
    """Discriminants to choose from: every shrinkage with every prior.

    ``shrinkages``: share of the pooled covariance replaced by its mean variance. ``priors``: how many individuals the
    middle of all classes counts for in each class mean.
    """

    kind: Literal["discriminant"]
    shrinkages: Annotated[tuple[Annotated[float, Field(gt=0, le=1)], ...], Field(min_length=1)]
    priors: Annotated[tuple[Annotated[float, Field(ge=0)], ...], Field(min_length=1)]

    def points(self) -> tuple[DiscriminantGrid, ...]:
        """One grid of a single point for each, in the order of :func:`~passage_cv.recognition.heads.fit_heads`."""
        return tuple(
            DiscriminantGrid(kind=self.kind, shrinkages=(shrinkage,), priors=(prior,))
            for shrinkage in self.shrinkages
            for prior in self.priors
        )


class LogisticGrid(Settings):
    """Logistic regressions to choose from: ``strengths`` are C, the inverse of the squared penalty.

    With fewer individuals than ``from_individuals`` they are not tried.
    """

    kind: Literal["logistic"]
    strengths: Annotated[tuple[Annotated[float, Field(gt=0)], ...], Field(min_length=1)]
    from_individuals: Annotated[int, Field(ge=0)] = 0

    def points(self) -> tuple[LogisticGrid, ...]:
        """One grid of a single point for each, in the order of :func:`~passage_cv.recognition.heads.fit_heads`."""
        return tuple(self.model_copy(update={"strengths": (strength,)}) for strength in self.strengths)


Grid = DiscriminantGrid | LogisticGrid


def grids_to_try(grids: Sequence[Grid], n_individuals: int) -> list[Grid]:
    """The grids that so many individuals are enough for.

    Examples
    --------
    >>> late = LogisticGrid(kind="logistic", strengths=(0.1,), from_individuals=5000)
    >>> [len(grids_to_try([late], n)) for n in (4999, 5000)]
    [0, 1]
    """
    return [grid for grid in grids if isinstance(grid, DiscriminantGrid) or n_individuals >= grid.from_individuals]
