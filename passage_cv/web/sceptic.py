"""What somebody asks who does not believe us: whether roles are those of the seed, and what each class lacks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache

from passage_cv.dataset.leaks import Leak
from passage_cv.dataset.missing import Standing, what_is_missing
from passage_cv.dataset.redraw import check_draws
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import Version, open_version
from passage_cv.planning.sampling import plan_for_policy
from passage_cv.policy import Policy
from passage_cv.web.settings import WebSettings


def draws_of(settings: WebSettings, version: Version) -> Sequence[Leak]:
    """Every draw of roles repeated from the seed; a version never changes, so once per server is enough."""
    return _draws(settings.store_root, version.name)


@lru_cache(maxsize=16)
def _draws(root: str, name: str) -> tuple[Leak, ...]:
    return tuple(check_draws(open_version(Store.open(root), name)))


def standings(settings: WebSettings, version: Version, policy: Policy | None) -> Sequence[Standing]:
    """What each class has and, where a policy is named, what its limits still lack."""
    by_trip = policy is not None and policy.mode != "fish"
    needed = _needed(policy) if policy else {}
    return _standings(settings.store_root, version.name, tuple(sorted(needed.items())), by_trip)


@lru_cache(maxsize=16)
def _standings(root: str, name: str, needed: tuple[tuple[str, int], ...], by_trip: bool) -> tuple[Standing, ...]:  # noqa: FBT001 - a cache tells calls apart by place
    return tuple(what_is_missing(open_version(Store.open(root), name), dict(needed), by_trip=by_trip))


def _needed(policy: Policy) -> Mapping[str, int]:
    """Individuals or trips that each limited class needs in ``cut``, by scientific name."""
    if not any(rule.miss_limit or rule.false_rejection_limit for rule in policy.classes):
        return {}
    return {need.name: need.individuals for need in plan_for_policy(policy)}
