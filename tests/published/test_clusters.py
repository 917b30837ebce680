"""Design effects and intraclass correlation against hand-made and printed numbers."""

from collections.abc import Callable

from passage_cv.stats.binomial import upper_limit
from passage_cv.stats.clusters import design_effect, effective_size, intraclass_correlation

TABLE = "clusters"
Row = dict[str, str]


def test_clusters(row: Row, agrees: Callable[..., None], numbers: Callable[[str], list[list[float]]]) -> None:
    members, per_cluster = int(row["members"] or 0), int(row["per_cluster"] or 1)
    correlation = float(row["correlation"] or 0)
    if row["quantity"] == "design effect":
        agrees(row, design_effect(per_cluster, correlation))
    elif row["quantity"] == "effective size":
        agrees(row, effective_size(members, per_cluster=per_cluster, correlation=correlation))
    elif row["quantity"] == "clean limit by image and by individual":
        agrees(row, upper_limit(0, members), upper_limit(0, members // per_cluster))
    else:
        subjects = numbers(row["values"])
        values = [value for subject in subjects for value in subject]
        names = [i for i, subject in enumerate(subjects) for _ in subject]
        agrees(row, intraclass_correlation(values, names))
