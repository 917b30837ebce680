"""The whole job once, on the invented river: what ``passage-cv demo`` runs.

Every step is the function that the other commands call; nothing here is a shortcut. Goes out: a folder with the
batches, the store, the run, the report, a refusal, the gate package and the gate log, and five closing lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from passage_cv.config import configs_folder, read_settings
from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.registers import put_on_file
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import Version, open_version
from passage_cv.demo.bad_views import write_bad_views
from passage_cv.demo.campaign import write_campaign, write_faulty_batches
from passage_cv.demo.traffic import write_traffic
from passage_cv.errors import InputError
from passage_cv.evaluation.report import percent
from passage_cv.gate.package import write_package
from passage_cv.gate.picking import pick_reference_pictures
from passage_cv.gate.verify import VerifyReport, verify_package
from passage_cv.intake.check import check_batch
from passage_cv.intake.permits import read_permits
from passage_cv.intake.setups import read_setups
from passage_cv.intake.sheet import PERMITS, SETUPS
from passage_cv.parallel import process_pool
from passage_cv.pipeline import Calibrated, Evaluated, ReportOptions, calibrate_scores, evaluate_scores
from passage_cv.policy import Policy, read_policy
from passage_cv.progress import Progress, silent, tracked
from passage_cv.recognition.score import score_version
from passage_cv.recognition.train import TrainSettings, train_model
from passage_cv.records import Action
from passage_cv.scores import write_scores
from passage_cv.service.traffic import TruthCount, run_traffic, score_against_truth

AUTHOR = "RKV"
PRESENTATIONS, FEWEST_PRESENTATIONS = 300, 60
"""Of the season's slice: at full size, and however small the campaign."""
VIEWS, FEWEST_VIEWS = 80, 12
"""Drawn views of each kind on which no fish may be decided: at full size, and however small the campaign."""
FEWEST_FISH = 8
"""Of each class: so few that a small demo shows refusals, so many that hardly any seed leaves a class out of training
(eight of 24 trips all miss the ten of role train with chance C(14, 8) / C(24, 8), 0.4 %)."""
NOTE = (
    "Invented river, drawn fish. This page shows how the program works; it says nothing about any real gate, camera "
    "or population."
)


@dataclass(frozen=True, slots=True)
class Places:
    """Where each thing of the demo lies below its folder."""

    root: Path

    @property
    def batches(self) -> Path:
        """One folder per sampling trip, as a crew would upload them."""
        return self.root / "batches"

    @property
    def faulty(self) -> Path:
        """Spoilt copies of two batches, to see what a check says; the store never gets them."""
        return self.root / "faulty"

    @property
    def store(self) -> Path:
        """The data set."""
        return self.root / "store"

    @property
    def run(self) -> Path:
        """The trained model."""
        return self.root / "run"

    @property
    def scores(self) -> Path:
        """The scores file between recognition and decision."""
        return self.root / "scores.parquet"

    @property
    def report(self) -> Path:
        """The report page."""
        return self.root / "report" / "report.html"

    @property
    def package(self) -> Path:
        """What a gate computer loads."""
        return self.root / "package"

    @property
    def log(self) -> Path:
        """What the gate did with the season's traffic."""
        return self.root / "gate-log.sqlite"


@dataclass(frozen=True, slots=True)
class Walked:
    """What the demo found."""

    places: Places
    version: str
    n_images: int
    n_individuals: int
    evaluated: Evaluated
    refused: Calibrated
    verified: VerifyReport
    traffic: tuple[TruthCount, ...]


def run_demo(out: Path, *, seed: int, size: float = 1.0, progress: Progress = silent) -> Walked:
    """Draw the campaign and a slice of a season, and run every stage on them.

    Parameters
    ----------
    out
        A folder that is missing or empty.
    seed
        Of everything that is drawn: fish, pictures, roles.
    size
        Share of the campaign's fish; 1.0 is about 2,250 fish and 4,050 pictures. Far below it no limit can be shown.

    Raises
    ------
    InputError
        If the folder holds something already.
    """
    if out.exists() and any(out.iterdir()):
        raise InputError("Folder is not empty", where=str(out), do="Give another with --out, or remove it.")
    places, policy_path = Places(out), configs_folder() / "policy" / "quillmarsh.toml"
    policy = read_policy(policy_path)
    batches = write_campaign(places.batches, seed=seed, size=size, fewest=FEWEST_FISH, progress=progress)
    write_faulty_batches(batches, places.faulty, seed=seed)
    version = fill_store(batches, places.store, policy, seed=seed, progress=progress)
    settings = read_settings(configs_folder() / "train" / "quick.toml", TrainSettings)
    kinds = write_bad_views(
        out / "views", seed=seed, per_kind=max(FEWEST_VIEWS, round(VIEWS * size)), progress=progress
    )
    train_model(settings, version.store, version, places.run, policy=policy, views=kinds, progress=progress)
    write_scores(score_version(places.run, version.store, version, progress=progress), places.scores)
    refused = _set_cutoffs(places, policy_path, progress)
    evaluated = evaluate_scores(
        places.scores,
        out / "cutoffs.json",
        places.report.parent,
        store=places.store,
        run=places.run,
        options=ReportOptions(notes=[NOTE]),
        progress=progress,
    )
    references = pick_reference_pictures(version, policy)
    write_package(places.run, out / "cutoffs.json", policy_path, places.package, pictures=references)
    verified = verify_package(places.package, progress=progress)
    shown = max(FEWEST_PRESENTATIONS, round(PRESENTATIONS * size))
    traffic_folder = write_traffic(out / "traffic", seed=seed, presentations=shown, progress=progress)
    run_traffic(places.package, traffic_folder, places.log, progress=progress)
    by_group, _ = score_against_truth(places.log, traffic_folder / "truth.csv", policy.groups)
    table = version.table()
    return Walked(
        places=places,
        version=version.name,
        n_images=len(table),
        n_individuals=len(table["individual"].unique()),
        evaluated=evaluated,
        refused=refused,
        verified=verified,
        traffic=by_group,
    )


def _set_cutoffs(places: Places, policy_path: Path, progress: Progress) -> Calibrated:
    """Let a stricter policy be refused, set the cutoffs under the site's own, and return the refusal.

    The strict one comes first: refused on counts alone it reads no score, so it spends none of the cut fish
    (architecture, Roles).
    """
    strict = policy_path.with_name("quillmarsh-strict.toml")
    asked = [(strict, "strict-cutoffs.json"), (policy_path, "cutoffs.json")]
    refused, _ = [
        calibrate_scores(places.scores, policy, places.root / name, store=places.store, author=AUTHOR)
        for policy, name in tracked(asked, "Setting cutoffs", progress)
    ]
    return refused


def fill_store(
    batches: Sequence[Path], root: Path, policy: Policy, *, seed: int, progress: Progress = silent
) -> Version:
    """Put set-ups and permits on file, then check and accept one batch after another; every one must be clean.

    The registers lie beside the batches, as :func:`passage_cv.demo.campaign.write_campaign` writes them.
    """
    limited = tuple(rule.scientific_name for rule in policy.in_group("exclude", "protected"))
    store = Store.create(root, StoreSettings(unit="trip", seed=seed, limited=limited))
    setups, permits = read_setups(batches[0].with_name(SETUPS)), read_permits(batches[0].with_name(PERMITS))
    put_on_file(store, setups=setups, permits=permits, author=AUTHOR, why="the campaign begins")
    with process_pool() as pool:
        for folder in tracked(batches, "Checking and accepting batches", progress):
            _accept(folder, store, pool)
    return open_version(store)


def _accept(folder: Path, store: Store, pool: Executor) -> None:
    accept_batch(check_batch(folder, executor=pool), store, author=AUTHOR)


def closing_lines(walked: Walked) -> list[str]:
    """Five lines that say what was found and where to look."""
    cutoffs = walked.evaluated.assessment.cutoffs
    counts = walked.evaluated.assessment.counts
    excluded = [count for count in counts if count.group == "exclude"]
    missed, shown = sum(count.passed for count in excluded), sum(count.shown for count in excluded)
    done = {action: sum(count.actions.get(action, 0) for count in walked.traffic) for action in Action}
    slipped = sum(count.actions.get(Action.PASS, 0) for count in walked.traffic if count.group == "exclude")
    u = "nothing passes" if cutoffs.u is None else f"pass below {cutoffs.u:.2f}"
    v = "nothing is rejected" if cutoffs.v is None else f"reject above {cutoffs.v:.2f}"
    shares = ", ".join(f"{limit.class_} {percent(limit.limit)}" for limit in cutoffs.limits if limit.met)
    refusal = walked.refused.unmet[0].split(":")[0] if walked.refused.unmet else "nothing"
    total = sum(count.n for count in walked.traffic)
    return [
        f"Data set: {walked.n_individuals} fish in {walked.n_images} pictures, version {walked.version} "
        f"({walked.places.store}). Two spoilt batches to try 'passage-cv check' on: {walked.places.faulty}",
        f"Cutoffs: {u}, {v}; limits shown: {shares or 'none'}. A stricter policy was refused: {refusal} "
        f"({walked.places.root / 'strict-cutoffs.json'}).",
        f"On test fish {missed} of {shown} excluded ones passed. Report: {walked.places.report}",
        f"Gate package {'verified' if walked.verified.ok else 'NOT VERIFIED'}: {walked.places.package}",
        f"Season slice: of {total} presentations {done[Action.PASS]} passed ({slipped} of excluded classes), "
        f"{done[Action.HOLD]} held, {done[Action.REJECT]} rejected. Gate log: {walked.places.log}",
    ]
