"""Views on which no fish may be decided: empty, two fish, an attached animal, a fish cut off by the frame.

Comes in: features of good views and of labelled bad ones, by the same frozen network. Goes out: one linear rule per
kind of bad view, which says "hold" above 0, and how many bad views it found and good fish it held, both out of fold.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from passage_cv.errors import InputError
from passage_cv.intake.images import PICTURE_SUFFIXES
from passage_cv.recognition.head_settings import DiscriminantGrid
from passage_cv.recognition.heads import Examples, Floats, Head, Ints, fit_heads
from passage_cv.recognition.view_kinds import KINDS

HOLD_LOAD = 0.01
"""Share of good individuals that each rule may hold; four rules then cost a crew at most one fish in 25 [ours]."""

FEWEST = 10
"""Labelled views of a kind below which no rule is fitted: five folds then have two each [ours]."""

LEAST_FOUND = 0.5
"""Share of its own views that a rule must find out of fold to be used: one that misses most buys little for the fish
that it holds, which become many once the water changes [ours]."""

POINT = DiscriminantGrid(kind="discriminant", shrinkages=(0.1,), priors=(0.0,))
"""Mild shrinkage and no pull to the middle: the kinds are few and far from each other [ours]."""

N_FOLDS = 5


@dataclass(frozen=True, slots=True)
class ViewRule:
    """Hold for ``reason`` where ``features @ weights + bias`` is above 0.

    ``views`` bad ones were labelled, ``found`` of them were held out of fold; of ``fish`` good individuals
    ``held_falsely`` were.
    """

    reason: str
    weights: Floats
    bias: float
    views: int
    found: int
    fish: int
    held_falsely: int

    @property
    def is_used(self) -> bool:
        """Whether it finds enough of its views to be a rule of the model; see :data:`LEAST_FOUND`."""
        return self.found >= LEAST_FOUND * self.views

    def speaks(self, features: npt.NDArray[np.floating]) -> npt.NDArray[np.bool_]:
        """Whether each view is to be held, for features (n, n_features)."""
        return np.asarray(features.astype(np.float64) @ self.weights + self.bias > 0)


@dataclass(frozen=True, slots=True)
class ViewRules:
    """One rule per kind, and the reason each good view got out of fold (``""`` where it may be decided).

    Only rules that find enough (:attr:`ViewRule.is_used`) give a reason.
    """

    rules: tuple[ViewRule, ...]
    reasons: npt.NDArray[np.str_]


def list_views(folder: Path) -> dict[str, list[Path]]:
    """Pictures of a folder with one sub-folder per kind of bad view.

    Raises
    ------
    InputError
        If the folder is missing, a sub-folder has another name, or one holds fewer than :data:`FEWEST` pictures.
    """
    if not folder.is_dir():
        raise InputError("Folder is missing", where=str(folder), do=f"Sub-folders are {', '.join(KINDS)}.")
    kinds = sorted(path for path in folder.iterdir() if path.is_dir())
    foreign = [path.name for path in kinds if path.name not in KINDS]
    if foreign or not kinds:
        raise InputError(
            f"Sub-folders are {foreign or 'none'}", where=str(folder), do=f"Allowed are {', '.join(KINDS)}."
        )
    found = {
        path.name: sorted(one for one in path.iterdir() if one.suffix.lower() in PICTURE_SUFFIXES) for path in kinds
    }
    for kind, pictures in found.items():
        if len(pictures) < FEWEST:
            raise InputError(
                f"{len(pictures)} views are labelled {kind!r}, at least {FEWEST} are needed",
                where=str(folder / kind),
                do="Add some, or take the folder out: the gate then has no rule for them.",
            )
    return found


def fit_view_rules(
    good: npt.NDArray[np.floating], individual: Ints, bad: Mapping[str, npt.NDArray[np.floating]], *, seed: int
) -> ViewRules:
    """Fit one rule per kind, with its level set so that it holds few good individuals out of fold.

    Parameters
    ----------
    good, individual
        Features of good views (n, n_features) and the individual of each, from 0.
    bad
        Kind to features of its views.
    seed
        Of the folds.
    """
    kinds = tuple(bad)
    examples = _examples(good, individual, [bad[kind] for kind in kinds])
    fold = _folds(individual, [len(bad[kind]) for kind in kinds], seed)
    scores = np.zeros((len(fold), len(kinds)))
    for one in range(N_FOLDS):
        apart = fold == one
        head = fit_heads(examples.where(~apart), POINT)[0]
        scores[apart] = _against_good(head, examples.features[apart])
    whole, n_good = fit_heads(examples, POINT)[0], len(good)
    levels = [_level(scores[:n_good, place], individual) for place in range(len(kinds))]
    held = scores > levels
    rules = tuple(
        ViewRule(
            reason=kind,
            weights=whole.weights[place + 1] - whole.weights[0],
            bias=float(whole.bias[place + 1] - whole.bias[0] - levels[place]),
            views=len(bad[kind]),
            found=int(held[examples.label == place + 1].any(axis=1).sum()),
            fish=len(np.unique(individual)),
            held_falsely=len(np.unique(individual[held[:n_good, place]])),
        )
        for place, kind in enumerate(kinds)
    )
    used = [place for place, rule in enumerate(rules) if rule.is_used]
    return ViewRules(rules, first_reasons([kinds[place] for place in used], held[:n_good, used]))


def first_reasons(kinds: Sequence[str], held: npt.NDArray[np.bool_]) -> npt.NDArray[np.str_]:
    """The first kind whose rule speaks for each view, "" where none does; ``held`` has shape (n, n_kinds)."""
    names = np.array(["", *kinds], dtype=np.str_)
    if not len(kinds):
        return np.full(len(held), "", dtype=np.str_)
    return np.asarray(names[np.where(held.any(axis=1), held.argmax(axis=1) + 1, 0)])


def _examples(good: npt.NDArray[np.floating], individual: Ints, bad: Sequence[npt.NDArray[np.floating]]) -> Examples:
    """Good views as class 0, each kind of bad view as a class of its own, each bad view an individual of its own."""
    counts = [len(part) for part in bad]
    label = np.repeat(np.arange(len(bad) + 1), [len(good), *counts])
    own = np.concatenate([individual, individual.max() + 1 + np.arange(sum(counts))])
    return Examples(np.concatenate([good, *bad]), label, own, len(bad) + 1)


def _folds(individual: Ints, counts: Sequence[int], seed: int) -> Ints:
    """Folds of good individuals, then of each kind's views, all dealt evenly in a seeded order."""
    rng = np.random.default_rng(seed)
    n = int(individual.max()) + 1
    good = (rng.permutation(n) % N_FOLDS)[individual]
    return np.concatenate([good, *(rng.permutation(count) % N_FOLDS for count in counts)])


def _against_good(head: Head, features: npt.NDArray[np.floating]) -> Floats:
    logits = head.logits(features)
    return np.asarray(logits[:, 1:] - logits[:, :1])


def _level(scores: Floats, individual: Ints) -> float:
    """The level above which at most the load of good individuals has a view; not below 0, where good is likelier."""
    worst = np.full(int(individual.max()) + 1, -np.inf)
    np.maximum.at(worst, individual, scores)
    allowed = int(HOLD_LOAD * len(worst))
    return max(0.0, float(np.sort(worst)[len(worst) - allowed - 1]))
