"""Properties and refusals of design effects and intraclass correlation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.errors import InputError
from passage_cv.stats.clusters import design_effect, effective_size, intraclass_correlation


@given(st.floats(1, 50), st.floats(0, 1))
def test_effective_size_lies_between_clusters_and_members(per_cluster: float, correlation: float) -> None:
    members = 100 * per_cluster
    size = effective_size(members, per_cluster=per_cluster, correlation=correlation)
    assert 100 * (1 - 1e-12) <= size <= members * (1 + 1e-12)


def test_correlation_finds_the_truth_of_a_random_effect() -> None:
    # Known truth: values = cluster part (variance 0.3) + own part (variance 0.7), so the correlation is 0.3.
    rng = np.random.default_rng(99)
    sizes = rng.integers(2, 8, size=4000)
    clusters = np.repeat(np.arange(4000), sizes)
    values = rng.normal(0, 0.3**0.5, 4000)[clusters] + rng.normal(0, 0.7**0.5, sizes.sum())
    assert intraclass_correlation(values, clusters) == pytest.approx(0.3, abs=0.03)
    assert intraclass_correlation(rng.permutation(values), clusters) == pytest.approx(0.0, abs=0.03)


def test_what_tells_no_correlation_is_refused() -> None:
    with pytest.raises(InputError, match="3 members in 3 clusters"):
        intraclass_correlation([1, 0, 1], [1, 2, 3])
    with pytest.raises(InputError, match="2 members in 1 clusters"):
        intraclass_correlation([1, 0], [1, 1])
    with pytest.raises(InputError, match="All values are equal"):
        intraclass_correlation([1, 1, 1], [1, 1, 2])
    with pytest.raises(InputError, match="Members per cluster is 0"):
        design_effect(0, 0.5)
    with pytest.raises(InputError, match=r"Correlation is 1\.5"):
        design_effect(2, 1.5)
