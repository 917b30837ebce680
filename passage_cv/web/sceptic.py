"""What somebody asks who does not believe us: whether roles are those of the seed, and what each class lacks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from passage_cv.dataset import missing
from passage_cv.dataset.leaks import Leak
from passage_cv.dataset.missing import Standing
from passage_cv.dataset.versions import Version
from passage_cv.planning.sampling import plan_for_policy
from passage_cv.policy import Policy
from passage_cv.web import remembered
from passage_cv.web.settings import WebSettings


def draws_of(settings: WebSettings, version: Version) -> Sequence[Leak]:
    """Every draw of roles repeated from the seed."""
    return remembered.draws(settings, version)


def standings(settings: WebSettings, version: Version, policy: Policy | None) -> Sequence[Standing]:
    """What each class has and, where a policy is named, what its limits still lack."""
    return missing.standings(
        remembered.tallies(settings, version),
        _needed(policy) if policy else {},
        by_trip=policy is not None and policy.mode != "fish",
        cut_share=version.store.settings.shares.cut,
    )


def _needed(policy: Policy) -> Mapping[str, int]:
    """Individuals or trips that each limited class needs in ``cut``, by scientific name."""
    if not any(rule.miss_limit or rule.false_rejection_limit for rule in policy.classes):
        return {}
    return {need.name: need.individuals for need in plan_for_policy(policy)}
