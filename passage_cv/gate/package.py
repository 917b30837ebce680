"""Pack a trained model and its cutoffs for a gate: the folder of formats 6, whole or not at all.

Comes in: a run, the cutoffs set for it, the site's policy, a few pictures. Goes out: a folder that a gate
computer loads and an engineer can check. A package is never written over: the one before it is the way back.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version as installed_version
from pathlib import Path

from passage_cv.decision.cutoffs_file import Cutoffs, read_cutoffs
from passage_cv.errors import InputError
from passage_cv.files import sha256_file, write_bytes, write_json, write_text
from passage_cv.gate.classes import list_classes
from passage_cv.gate.controller_code import render_c_header, render_structured_text
from passage_cv.gate.engineer import render_engineer_page
from passage_cv.gate.format import (
    C_HEADER,
    CLASSES,
    CROP,
    CUTOFFS,
    ENGINEER,
    LOGIT_CASES,
    MANIFEST,
    MODEL,
    PICTURE_CASES,
    POLICY,
    REGISTERS,
    STRUCTURED_TEXT,
    TRAIN_SCORES,
)
from passage_cv.gate.manifest import Manifest, build_manifest, manifest_bytes
from passage_cv.gate.pictures import PictureCase, ReferencePicture, build_picture_cases, write_picture_cases
from passage_cv.gate.reference import LogitCase, build_logit_cases, write_logit_cases
from passage_cv.gate.registers import render_register_table
from passage_cv.gate.runtime import read_crop
from passage_cv.policy import Policy, read_policy
from passage_cv.progress import Progress, silent
from passage_cv.recognition.crop import CropSettings
from passage_cv.recognition.model import GateModel
from passage_cv.recognition.rows import read_run_classes
from passage_cv.recognition.transforms import recipe_sha256
from passage_cv.scores import read_scores


@dataclass(frozen=True, slots=True)
class PackageSummary:
    """What was written, for the screen and for records."""

    folder: Path
    manifest: Manifest
    n_pictures: int
    n_presentations: int
    n_logit_cases: int
    unmet: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Sources:
    """The checked inputs of one package."""

    run: Path
    cutoffs_path: Path
    policy_path: Path
    cutoffs: Cutoffs
    policy: Policy
    model_sha256: str


def write_package(
    run: Path,
    cutoffs: Path,
    policy: Path,
    out: Path,
    *,
    pictures: Sequence[ReferencePicture],
    progress: Progress = silent,
) -> PackageSummary:
    """Write a gate package into a new folder.

    Parameters
    ----------
    run
        Folder of one trained model.
    cutoffs, policy
        The cutoffs set for that model, and the policy they were set under.
    out
        Folder to make; its parent may be missing, itself must not exist.
    pictures
        A few real pictures per class; they become the reference pictures, as original bytes.

    Raises
    ------
    InputError
        If ``out`` exists; if run, policy and cutoffs have different classes; if the cutoffs were set for
        another model, another policy, another crop or other scores; if there is no picture or one cannot be used.
    """
    if out.exists():
        raise InputError(
            "Folder is there already, and a package is never written over",
            where=str(out),
            do="Give a new folder; the old package stays as the way back.",
        )
    sources = _read_sources(run, cutoffs, policy)
    crop = read_crop(run / CROP)
    _require_same_crop(run, crop)
    if not pictures:
        raise InputError("No reference picture was given", where=str(out), do="Give a few real pictures per class.")
    cases, contents = build_picture_cases(pictures, GateModel(run / MODEL), crop, sources.cutoffs, progress)
    logit_cases = build_logit_cases(sources.cutoffs)
    out.parent.mkdir(parents=True, exist_ok=True)
    part = Path(tempfile.mkdtemp(dir=out.parent, prefix=".part-"))
    try:
        _write_files(part, sources, cases, contents, logit_cases)
        manifest = _write_manifest(part, sources)
        part.chmod(0o755)
        part.rename(out)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    return PackageSummary(
        folder=out,
        manifest=manifest,
        n_pictures=len(contents),
        n_presentations=len(cases),
        n_logit_cases=len(logit_cases),
        unmet=tuple(f"{limit.class_}: {limit.kind} limit {limit.limit:g}" for limit in sources.cutoffs.unmet),
    )


def _read_sources(run: Path, cutoffs_path: Path, policy_path: Path) -> _Sources:
    for name in (MODEL, CLASSES, CROP):
        if not (run / name).is_file():
            raise InputError(
                f"{name} is missing", where=str(run), do="Give the folder that 'passage-cv train' wrote."
            )
    sources = _Sources(
        run=run,
        cutoffs_path=cutoffs_path,
        policy_path=policy_path,
        cutoffs=read_cutoffs(cutoffs_path),
        policy=read_policy(policy_path),
        model_sha256=sha256_file(run / MODEL),
    )
    _require_classes(sources)
    _require_same_hashes(sources)
    return sources


def _require_classes(sources: _Sources) -> None:
    """The model's, the cutoffs' and the policy's classes are the same, the first two in the same order."""
    learnt = read_run_classes(sources.run / CLASSES)
    trained = learnt.classes
    if trained != sources.cutoffs.classes:
        raise InputError(
            f"The model has classes {list(trained)}, the cutoffs {list(sources.cutoffs.classes)}",
            where=f"{sources.run / CLASSES}; {sources.cutoffs_path}",
            do="Give the cutoffs that were set on this model's scores.",
        )
    if set(trained) != set(sources.policy.codes) or sources.cutoffs.groups != sources.policy.groups:
        raise InputError(
            f"The cutoffs have groups {sources.cutoffs.groups}, the policy {sources.policy.groups}",
            where=f"{sources.cutoffs_path}; {sources.policy_path}",
            do="Give the policy that the cutoffs were set under, or calibrate again under this one.",
        )
    for code in trained:
        wanted = sources.policy.rule(code).scientific_name
        if learnt.scientific_names.get(code, wanted) != wanted:
            raise InputError(
                f"Class {code} was learnt from {learnt.scientific_names[code]}, the policy means {wanted}",
                where=f"{sources.run / CLASSES}; {sources.policy_path}",
                do="Give each species its own code.",
            )


def _require_same_hashes(sources: _Sources) -> None:
    cutoffs = sources.cutoffs
    if cutoffs.score_kind != "logit":
        raise InputError(
            f"The cutoffs were set on {cutoffs.score_kind} scores, the package's model gives logits",
            where=str(sources.cutoffs_path),
            do="Score the version with this run and calibrate on those scores.",
        )
    if cutoffs.hold_rules.unfamiliarity_above is not None and cutoffs.hold_rules.unfamiliarity_from is None:
        raise InputError(
            "The cutoffs hold fish by an unfamiliarity that came with the scores, which the gate cannot compute",
            where=str(sources.cutoffs_path),
            do="Score the version with this run and calibrate on those scores.",
        )
    if cutoffs.hold_rules.unfamiliarity_from == "model" and not GateModel(sources.run / MODEL).says_unfamiliarity:
        raise InputError(
            "The cutoffs hold fish by what the model says of unfamiliarity, and this model says nothing of it",
            where=f"{sources.cutoffs_path}; {sources.run / MODEL}",
            do="Score the version with this run and calibrate on those scores.",
        )
    if cutoffs.quality_weights:
        raise InputError(
            "The cutoffs were set on views with unequal quality weights, the gate gives all views the same weight",
            where=str(sources.cutoffs_path),
            do="Leave view_weight out of the scores file and calibrate again.",
        )
    for name, set_for, found, where, do in (
        ("model", cutoffs.model, sources.model_sha256, sources.run / MODEL, "Score with this run, calibrate again."),
        ("policy", cutoffs.policy_sha256, sources.policy.sha256, sources.policy_path, "Calibrate under this policy."),
    ):
        if set_for != found:
            raise InputError(
                f"The cutoffs were set for {name} {set_for[:12] or 'of no name'}, this {name} is {found[:12]}",
                where=f"{sources.cutoffs_path}; {where}",
                do=f"{do} A limit holds only for what it was shown on.",
            )


def _require_same_crop(run: Path, crop: CropSettings) -> None:
    """The crop beside the model is the one that its scores, and so the cutoffs, were made with."""
    path = run / TRAIN_SCORES
    if not path.is_file():
        raise InputError(f"{TRAIN_SCORES} is missing", where=str(run), do="Give the folder that 'train' wrote.")
    made_with, found = read_scores(path).meta.get("crop_sha256", ""), recipe_sha256(crop)
    if made_with != found:
        raise InputError(
            f"The scores were made with crop {str(made_with)[:12] or 'of no name'}, crop.json is {found[:12]}",
            where=str(run / CROP),
            do="Put the run's own crop.json back, or train, score and calibrate again.",
        )


def _write_files(
    part: Path,
    sources: _Sources,
    cases: Sequence[PictureCase],
    contents: dict[str, bytes],
    logit_cases: tuple[LogitCase, ...],
) -> None:
    cutoffs, policy = sources.cutoffs, sources.policy
    for source, name in (
        (sources.run / MODEL, MODEL),
        (sources.cutoffs_path, CUTOFFS),
        (sources.policy_path, POLICY),
        (sources.run / CROP, CROP),
    ):
        write_bytes(part / name, source.read_bytes())
    write_json(part / CLASSES, list_classes(cutoffs.classes, policy).model_dump(mode="json"))
    for name, data in contents.items():
        write_bytes(part / name, data)
    write_bytes(part / PICTURE_CASES, write_picture_cases(cases, cutoffs.classes))
    write_bytes(part / LOGIT_CASES, write_logit_cases(logit_cases, cutoffs.classes))
    cutoffs_sha256 = sha256_file(sources.cutoffs_path)
    write_text(part / C_HEADER, render_c_header(cutoffs, cutoffs_sha256))
    write_text(part / STRUCTURED_TEXT, render_structured_text(cutoffs, cutoffs_sha256))
    write_bytes(part / REGISTERS, render_register_table())
    write_text(part / ENGINEER, render_engineer_page(cutoffs, policy, cases, len(logit_cases)))


def _write_manifest(part: Path, sources: _Sources) -> Manifest:
    files = sorted(path for path in part.rglob("*") if path.is_file())
    manifest = build_manifest(
        {
            "created": datetime.now(UTC).isoformat(timespec="seconds"),
            "program": f"passage-cv {installed_version('passage-cv')}",
            "site": sources.policy.site,
            "model_sha256": sha256_file(part / MODEL),
            "policy_sha256": sources.policy.sha256,
            "cutoffs_sha256": sha256_file(part / CUTOFFS),
            "data_version": sources.cutoffs.version,
            "classes": sources.cutoffs.classes,
            "sites": sources.cutoffs.sites,
            "setup_ids": sources.cutoffs.setup_ids,
            "files": {path.relative_to(part).as_posix(): sha256_file(path) for path in files},
        }
    )
    if manifest.model_sha256 != sources.model_sha256:
        raise InputError("The model changed while it was packed", where=str(sources.run), do="Export again.")
    write_bytes(part / MANIFEST, manifest_bytes(manifest))
    return manifest


__all__ = ["PackageSummary", "ReferencePicture", "write_package"]
