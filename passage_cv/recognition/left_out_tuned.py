"""Would a fine-tuned network hold a fish of a kind never seen? Classes are left out of its fine-tuning.

Comes in: a version and the settings of a fine-tuning run. Goes out: the same figures, by score and class, that
``left_out`` has of heads on a frozen network. A fit takes long, so several classes are left out at once: each once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt

from passage_cv.dataset.versions import Version
from passage_cv.errors import InputError
from passage_cv.policy import Policy
from passage_cv.progress import Progress, silent
from passage_cv.recognition.ablation import everybody
from passage_cv.recognition.embed import Floats32
from passage_cv.recognition.familiarity import LEAST_SHRINKAGE, Familiar, Joined, fit_familiar, fit_round_familiar
from passage_cv.recognition.finetune import Bench, Lesson, features_of, fit_network
from passage_cv.recognition.heads import Examples, Floats, Head, Ints, mean_of_images
from passage_cv.recognition.left_out import LeftOutClasses, learnt_from, name_classes
from passage_cv.recognition.selection import folds_of_images
from passage_cv.recognition.team import join_team
from passage_cv.recognition.tuned import as_examples, best_scale, make_bench
from passage_cv.recognition.tuned_settings import TunedSettings
from passage_cv.recognition.unfamiliarity import (
    DEFAULT,
    DIRECTION,
    OF_LOGITS,
    RELATIVE,
    Found,
    Learnt,
    ask_scores,
    judge_score,
    mean_of_draws,
    per_individual,
)

ROUND = ", round axes"
"""Ends the name of a score in axes that are only stretched, one by one: the whole covariance is shrunken.

A network draws the fish that it learns from together, so that their covariance may say little about new ones.
"""
FAMILIAR: Mapping[str, Callable[[Examples], Familiar]] = {
    "": partial(fit_familiar, shrinkage=LEAST_SHRINKAGE),
    ROUND: fit_round_familiar,
}
"""How what is familiar is fitted, by how names of scores end."""
MOST_GROUPS = 4
FEWEST_KNOWN = 2


@dataclass(frozen=True, slots=True)
class Absence:
    """Classes left out together, and which network is asked about each image of the bench.

    ``is_strange`` is true for images of a left-out class. Network number k learns from all images but those and the
    ones that it is ``asked`` about; both have shape (n_images,).
    """

    is_strange: npt.NDArray[np.bool_]
    asked: Ints

    @property
    def n_networks(self) -> int:
        """One for each fold of the known individuals."""
        return int(self.asked.max()) + 1

    def taught(self, number: int) -> npt.NDArray[np.bool_]:
        """Which images one network learns from."""
        return np.asarray(~self.is_strange & (self.asked != number))


@dataclass(frozen=True, slots=True)
class Taught:
    """A network that a group of classes was left out of: its head, and its features of every image of the bench."""

    head: Head
    features: Floats32


def leave_out_of_tuning(
    version: Version,
    settings: TunedSettings,
    *,
    policy: Policy | None = None,
    every_role: bool = False,
    n_groups: int | None = None,
    n_folds: int = 3,
    n_draws: int = 1,
    progress: Progress = silent,
) -> LeftOutClasses:
    """Fine-tune without each group of classes and ask every score of unfamiliarity to hold their fish.

    Parameters
    ----------
    version, policy, every_role, n_draws, progress
        As :func:`~passage_cv.recognition.left_out.leave_out_classes`; a draw deals groups and folds.
    settings
        Of fine-tuning; every fit runs to the end of its schedule, no epoch is chosen.
    n_groups
        Of classes, at most :data:`MOST_GROUPS` by default; one class each is the cleanest and takes longest.
    n_folds
        Of the known individuals: as many networks for each group.

    Raises
    ------
    InputError
        If fewer than two classes would stay, there are fewer individuals than folds, or a picture is unusable.
    """
    rows, classes = everybody(version) if every_role else learnt_from(version, policy)
    examples = as_examples(rows, classes)
    n_groups = n_groups or min(MOST_GROUPS, int((examples.per_class > 0).sum()))
    draws = [
        plan_absences(examples, n_groups=n_groups, n_folds=n_folds, seed=settings.seed + draw)
        for draw in range(n_draws)
    ]
    schedule = settings.schedule.model_copy(update={"judged_every": settings.schedule.epochs})
    settings = settings.model_copy(update={"schedule": schedule})
    with join_team() as team:
        bench = make_bench(rows.images, examples, version.store, settings, team, progress=progress)
        found = [_ask_each_group(bench, absences, first=n * n_groups * n_folds) for n, absences in enumerate(draws)]
    return name_classes(mean_of_draws(found), examples, classes)


def plan_absences(examples: Examples, *, n_groups: int, n_folds: int, seed: int) -> list[Absence]:
    """Deal the classes into groups, and the individuals of the others, each time, into folds.

    Raises
    ------
    InputError
        If fewer than two classes would stay with a group, or there are fewer individuals than folds.
    """
    met = np.flatnonzero(examples.per_class > 0)
    groups = [np.random.default_rng(seed).permutation(met)[start::n_groups] for start in range(n_groups)]
    if not len(groups[-1]) > 0 or len(met) - len(groups[0]) < FEWEST_KNOWN:
        raise InputError(
            f"{len(met)} classes cannot be left out in {n_groups} groups: each needs a class, and two must stay",
            where="the version and the number of groups",
            do=f"Give 2 to {len(met)} groups, and a version of three classes or more.",
        )
    return [_absence_of(group, examples, n_folds, seed) for group in groups]


def _absence_of(group: Ints, examples: Examples, n_folds: int, seed: int) -> Absence:
    is_strange = np.isin(examples.label, group)
    known = examples.where(~is_strange)
    asked = np.zeros(len(is_strange), dtype=np.intp)
    asked[~is_strange] = folds_of_images(known, known.individual, n_folds=n_folds, seed=seed)
    asked[is_strange] = examples.where(is_strange).individual % n_folds
    return Absence(is_strange, asked)


def _ask_each_group(bench: Bench, absences: Sequence[Absence], *, first: int) -> Found:
    """What each score did on every class; ``first`` numbers the fits, which draw by their number."""
    found: Found = {}
    label = bench.examples.label_of_individual
    for absence in absences:
        taught = [_teach(bench, absence.taught(number), first + number) for number in range(absence.n_networks)]
        first += absence.n_networks
        left_out = np.unique(bench.examples.label[absence.is_strange])
        for name, values in score_absence(bench.examples, absence, taught).items():
            known = values[~np.isin(label, left_out)]
            of_class = {int(one): judge_score(known, values[label == one]) for one in left_out}
            found[name] = found.get(name, {}) | of_class
    return found


def _teach(bench: Bench, is_learnt: npt.NDArray[np.bool_], number: int) -> Taught:
    """Fine-tune on these images alone: neither picture nor class of any other is handed in."""
    part = bench.examples.where(is_learnt)
    present, label = np.unique(part.label, return_inverse=True)
    own = replace(
        bench,
        images=[name for name, own in zip(bench.images, is_learnt, strict=True) if own],
        examples=replace(part, label=label, n_classes=len(present)),
    )
    everything = np.arange(len(own.images))
    learnt = fit_network(own, Lesson(number, everything, everything[:0], bench.settings.schedule.epochs))
    head, n_classes = learnt.network.head, bench.examples.n_classes
    weights, bias = np.zeros((n_classes, head.in_features)), np.zeros(n_classes)
    weights[present], bias[present] = head.weight.detach().numpy(), head.bias.detach().numpy()
    features = features_of(learnt.network.features, bench)
    return Taught(Head(weights, bias, np.isin(np.arange(n_classes), present)), features)


def score_absence(examples: Examples, absence: Absence, taught: Sequence[Taught]) -> dict[str, Floats]:
    """Every score of every individual (n_individuals,), each by a network that had not learnt from it.

    Parameters
    ----------
    examples
        Labels and individuals of the bench's images; features are those of ``taught``.
    absence
        Which network is asked about whom.
    taught
        The networks, in their order.

    Notes
    -----
    Logits are scaled for all networks of a group alike, as :func:`~passage_cv.recognition.tuned.judge` does it.
    """
    scale = _scale_of(examples, absence, taught)
    of_images: dict[str, Floats] = {}
    for number, one in enumerate(taught):
        asked = absence.asked == number
        part = replace(examples, features=one.features).where(absence.taught(number))
        for ending, fit in FAMILIAR.items():
            familiar = fit(part)
            learnt = Learnt(one.head.scaled(scale), familiar, familiar.within.place(part.features))
            for name, values in ask_scores(learnt, one.features[asked]).items():
                if not ending or name not in OF_LOGITS:
                    of_images.setdefault(name + ending, np.zeros(len(asked)))[asked] = values
    of_fish = per_individual(of_images, examples.individual)
    is_known = ~np.isin(examples.label_of_individual, examples.label[absence.is_strange])
    return {DEFAULT + ending: _joined(of_fish, is_known, ending) for ending in FAMILIAR} | of_fish


def _scale_of(examples: Examples, absence: Absence, taught: Sequence[Taught]) -> float:
    """What makes logits of known fish natural log-odds, each fish by a network that had not learnt from it."""
    logits = np.zeros((len(absence.asked), examples.n_classes))
    for number, one in enumerate(taught):
        asked = absence.asked == number
        logits[asked] = one.head.logits(one.features[asked])
    known = examples.where(~absence.is_strange)
    present, label = np.unique(known.label_of_individual, return_inverse=True)
    return best_scale(mean_of_images(logits[~absence.is_strange][:, present], known.individual), label)


def _joined(of_fish: Mapping[str, Floats], is_known: npt.NDArray[np.bool_], ending: str) -> Floats:
    both = np.stack([of_fish[DIRECTION + ending], of_fish[RELATIVE + ending]], axis=1)
    return Joined.of_known(both[is_known]).join(both)
