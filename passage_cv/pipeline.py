"""One function per stage, each from files to files; called by the command line and the web alike.

Rules live in the parts; this module only opens what a stage needs, calls one function and writes what it gives.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from passage_cv.dataset.agreement import agreement
from passage_cv.dataset.attempts import attempt_standing
from passage_cv.dataset.confirming import require_confirmed
from passage_cv.dataset.ledger import attempt_policy_sha256, record_use
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version, require_version
from passage_cv.dataset.working import working_path
from passage_cv.decision.asking import contradictions, cost_ranges, draft_sheet, read_sheet
from passage_cv.decision.calibrate import calibrate
from passage_cv.decision.combine import combine_views
from passage_cv.decision.cost_range import move_costs
from passage_cv.decision.cutoffs_file import Cutoffs, read_cutoffs, write_cutoffs
from passage_cv.decision.sweep import needed_rows, sweep_tables, trial_of
from passage_cv.decision.unmet import describe_overload, describe_unmet, refused_on_counts
from passage_cv.errors import InputError
from passage_cv.evaluation.assess import Assessment, assess
from passage_cv.evaluation.cases import NearestPictures, nearest_by_embedding, training_pictures
from passage_cv.evaluation.comparison import read_earlier
from passage_cv.evaluation.cost_page import cost_sentences, write_cost_page
from passage_cv.evaluation.holds import UnfamiliarHolds, count_unfamiliar
from passage_cv.evaluation.judging import judge
from passage_cv.evaluation.readers import SecondReadings
from passage_cv.evaluation.report import Picture, write_report
from passage_cv.evaluation.values import csv_text
from passage_cv.files import write_text
from passage_cv.policy import Policy, read_policy
from passage_cv.progress import Progress, silent
from passage_cv.recognition.likeness import Looks
from passage_cv.scores import Scores, read_scores


@dataclass(frozen=True, slots=True)
class Calibrated:
    """Cutoffs as written, one sentence per demand that could not be met, and what holding unfamiliar fish costs.

    ``unfamiliar`` is None where none are held so, or where nothing is allowed.
    """

    cutoffs: Cutoffs
    sha256: str
    unmet: tuple[str, ...]
    unfamiliar: UnfamiliarHolds | None


@dataclass(frozen=True, slots=True)
class ReportOptions:
    """What a report may say besides.

    ``before`` is the folder of an earlier one to compare with, ``simultaneous`` asks for intervals that hold all at
    once, ``notes`` are remarks of whoever ran it.
    """

    before: Path | None = None
    simultaneous: bool = False
    notes: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Evaluated:
    """Where the report lies and what it says."""

    page: Path
    assessment: Assessment


@dataclass(frozen=True, slots=True)
class Tried:
    """Where the page about costs lies, what it says first, and where answers contradict each other."""

    page: Path
    sentences: tuple[str, ...]
    contradictions: tuple[str, ...]


def calibrate_scores(
    scores_path: Path,
    policy_path: Path,
    out: Path,
    *,
    store: Path | str | None = None,
    author: str = "",
    progress: Progress = silent,
) -> Calibrated:
    """Set the cutoffs of a scores file under a policy and write them.

    With a store, the look at role ``cut`` goes into its ledger first, and individuals that earlier attempts have used
    up are left out; without one the file warns that nobody counted. A limit that cannot be shown is no error here:
    the file then allows nothing, and ``unmet`` says why.

    Raises
    ------
    InputError
        As :func:`passage_cv.decision.calibrate.calibrate`, or if the store does not hold the scores' version.
    """
    scores, policy = read_scores(scores_path), read_policy(policy_path)
    attempt, spent = _attempt(scores, policy, store)
    cutoffs = calibrate(scores, policy, attempt=attempt, spent=spent, author=author, progress=progress)
    overload = describe_overload(cutoffs)
    unmet = (*describe_unmet(cutoffs), *([overload] if overload else []))
    return Calibrated(cutoffs, write_cutoffs(cutoffs, out), unmet, _unfamiliar_cut(scores, cutoffs, spent or ()))


def evaluate_scores(
    scores_path: Path,
    cutoffs_path: Path,
    out: Path,
    *,
    store: Path | str | None = None,
    run: Path | None = None,
    options: ReportOptions | None = None,
    progress: Progress = silent,
) -> Evaluated:
    """Judge the ``test`` individuals with fixed cutoffs and write the report into ``out``.

    With a store, the look at role ``test`` goes into its ledger, and thumbnails and names come from it; ``test``
    individuals that the policy wants confirmed, as its cutoffs say, must be so before a score is looked at. With the
    store and the ``run`` that the scores come from, the training pictures most like each worst case stand beside it.

    Raises
    ------
    InputError
        As :func:`passage_cv.evaluation.assess.assess` and :func:`passage_cv.dataset.confirming.require_confirmed`, if
        the earlier report cannot be read, if the run is not that of the scores, or if the store does not hold their
        version.
    """
    scores, cutoffs, options = read_scores(scores_path), read_cutoffs(cutoffs_path), options or ReportOptions()
    earlier = read_earlier(options.before) if options.before else None
    names: Mapping[str, str] = {}
    picture: Picture | None = None
    nearest: NearestPictures | None = None
    readings: SecondReadings | None = None
    if store is not None:
        opened = Store.open(store)
        require_version(opened, str(scores.meta.get("version", "")), where=scores.source)
        require_confirmed(opened, cutoffs, _labels(scores.with_role("test")))
        nearest = find_nearest(run, opened, scores, progress=progress) if run else None
        _record_test(opened, scores, cutoffs)
        names, picture = _names(opened, scores), lambda sha256: _thumbnail(opened, sha256)
        readings = second_readings(opened)
    assessment = assess(scores, cutoffs, simultaneous=options.simultaneous, nearest=nearest, readings=readings)
    page = write_report(assessment, out, names=names, picture=picture, notes=options.notes, before=earlier)
    return Evaluated(page, assessment)


def find_nearest(run: Path, store: Store, scores: Scores, *, progress: Progress = silent) -> NearestPictures:
    """A way to find the training pictures most like given ones, as the model of a run sees them.

    Raises
    ------
    InputError
        If the run cannot be opened, or the scores come from another model.
    """
    looks, made_by = Looks.of(run, store), str(scores.meta.get("model_sha256", ""))
    if made_by != looks.model_sha256:
        raise InputError(
            f"Scores come from model {made_by[:8] or 'of no name'}, the run holds {looks.model_sha256[:8]}",
            where=f"{scores.source}; {run}",
            do="Give the run that these scores were made with, or leave it out.",
        )
    return nearest_by_embedding(partial(looks.embed, progress=progress), training_pictures(scores))


def second_readings(store: Store) -> SecondReadings | None:
    """What second readers said of the fish of a store; None where nobody has read one."""
    found = agreement(store)
    if not found.readers:
        return None
    return SecondReadings(
        read=found.n_read,
        differed=found.n_read - found.agreed,
        unsure=found.unsure,
        readers=len(found.readers),
        kappa=found.kappa,
    )


def sweep_scores(scores_path: Path, policy_path: Path, out: Path, progress: Progress = silent) -> tuple[Path, ...]:
    """Write what other limits, costs, shares and capacities would come to; reads scores of role ``train`` only.

    Raises
    ------
    InputError
        As :func:`passage_cv.decision.sweep.trial_of`.
    """
    trial, demands = trial_of(read_scores(scores_path), read_policy(policy_path))
    tables = {**sweep_tables(trial, demands, progress), "needed": needed_rows(trial, demands)}
    for name, rows in tables.items():
        write_text(out / f"{name}.csv", csv_text(rows))
    return tuple(out / f"{name}.csv" for name in tables)


def ask_costs(policy_path: Path, out: Path) -> None:
    """Write the sheet that asks people what each mistake is worth; an existing file is kept.

    Raises
    ------
    InputError
        If the file is there already: it may hold answers.
    """
    if out.exists():
        raise InputError("File is there already and may hold answers", where=str(out), do="Give another name.")
    write_text(out, draft_sheet(read_policy(policy_path)))


def try_costs(sheet_path: Path, policy_path: Path, scores_path: Path, out: Path) -> Tried:
    """Say whether the range of answers moves the cutoffs; reads scores of role ``train`` only.

    Raises
    ------
    InputError
        As :func:`passage_cv.decision.asking.read_sheet` and :func:`passage_cv.decision.sweep.trial_of`.
    """
    policy = read_policy(policy_path)
    sheet = read_sheet(sheet_path, policy)
    trial, demands = trial_of(read_scores(scores_path), policy)
    ranges = cost_ranges(sheet)
    moves, against = move_costs(trial, demands, ranges, unit=policy.hold_cost), contradictions(ranges)
    page = write_cost_page(sheet, ranges, moves, against, out, n_fish=len(trial.individuals))
    return Tried(page, cost_sentences(moves), against)


def _attempt(scores: Scores, policy: Policy, store: Path | str | None) -> tuple[int, frozenset[str] | None]:
    """Which attempt this is and which ``cut`` individuals it must leave out; on record before a score is used."""
    if store is None:
        return 1, None
    opened = Store.open(store)
    model, key = str(scores.meta.get("model_sha256", scores.sha256)), attempt_policy_sha256(policy)
    version, cut = str(scores.meta.get("version", "")), scores.with_role("cut")
    require_version(opened, version, where=scores.source)
    require_confirmed(opened, policy, _labels(cut))
    standing = attempt_standing(
        opened,
        {str(name) for name in cut.individual},
        model_sha256=model,
        policy_sha256=key,
        attempts=policy.attempts,
        version=version,
    )
    fresh = cut.where(~np.isin(cut.individual, sorted(standing.spent)))
    if len(fresh):
        record_use(
            opened,
            role="cut",
            model_sha256=model,
            policy_sha256=key,
            purpose="calibrate",
            version=version,
            counts=not refused_on_counts(fresh, policy),
            attempts=policy.attempts,
        )
    return standing.number, standing.spent


def _unfamiliar_cut(scores: Scores, cutoffs: Cutoffs, spent: Collection[str]) -> UnfamiliarHolds | None:
    """Known ``cut`` fish held as unfamiliar; None where nothing is allowed: counts alone may have said so."""
    if cutoffs.u is None and cutoffs.v is None:
        return None
    cut = scores.with_role("cut")
    cut = cut.where(~np.isin(cut.individual, sorted(spent)))
    return count_unfamiliar(judge(combine_views(cut, cutoffs.views), cutoffs), cutoffs, "cut")


def _labels(scores: Scores) -> dict[str, str]:
    """Individual to class code."""
    return dict(zip(scores.individual.tolist(), scores.label.tolist(), strict=True))


def _record_test(store: Store, scores: Scores, cutoffs: Cutoffs) -> None:
    if (scores.role == "test").any():
        record_use(
            store,
            role="test",
            model_sha256=cutoffs.model or scores.sha256,
            policy_sha256=cutoffs.policy_sha256,
            purpose="evaluate",
            version=cutoffs.version,
        )


def _names(store: Store, scores: Scores) -> dict[str, str]:
    """Class to scientific name, for the classes that stand in the store under a code."""
    try:
        table = open_version(store, str(scores.meta.get("version") or "latest")).table()
    except InputError:
        return {}
    pairs = zip(table["code"].to_pylist(), table["scientificName"].to_pylist(), strict=True)
    return {code: name for code, name in pairs if code and name}


def _thumbnail(store: Store, sha256: str) -> bytes | None:
    path = working_path(sha256)
    if store.storage.exists(path):
        return store.storage.read(path)
    return store.read_object(sha256) if store.find_object(sha256) else None
