"""Check a gate package where it will work: every byte first, then every reference case, then the time it takes.

Nothing of the package is loaded before its hashes are right. The report is a record for commissioning; it
never raises for a bad package.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np

from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.decision.rule import decide
from passage_cv.errors import InputError
from passage_cv.files import sha256_file
from passage_cv.gate.format import CUTOFFS, LOGIT_CASES, LOGIT_TOLERANCE, MODEL
from passage_cv.gate.manifest import Manifest, find_altered, read_manifest
from passage_cv.gate.pictures import PictureCase, read_picture_cases
from passage_cv.gate.reference import read_logit_cases
from passage_cv.gate.runtime import Package, load_package
from passage_cv.gate.signature import find_signers, read_signatures, read_trusted_keys, require_signed
from passage_cv.gate.timing import TimeBudget, check_budget
from passage_cv.gate.views import Logits, score_pictures
from passage_cv.progress import Progress, silent, tracked

TIMED_RUNS = 60
"""Presentations timed; enough that the slowest one in a hundred is one that was seen."""
SHOWN_PROBLEMS = 10


@dataclass(frozen=True, slots=True)
class Check:
    """One question put to the package and its answer."""

    name: str
    ok: bool
    detail: str


@dataclass(frozen=True, slots=True)
class Latency:
    """Milliseconds from the bytes of a presentation's pictures to its action."""

    n: int
    p50_ms: float
    p95_ms: float
    p99_ms: float


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """What was checked, in order; ``latency`` is None where the checks never came so far."""

    folder: str
    package_id: str
    checks: tuple[Check, ...]
    latency: Latency | None

    @property
    def ok(self) -> bool:
        """Whether every check passed."""
        return all(check.ok for check in self.checks)

    def as_dict(self) -> dict[str, object]:
        """Plain values for a commissioning record."""
        return {**asdict(self), "ok": self.ok}


def verify_package(
    folder: Path,
    *,
    keys: Path | None = None,
    signatures: int = 1,
    budget: TimeBudget | None = None,
    progress: Progress = silent,
) -> VerifyReport:
    """Check a package folder: bytes, signatures, records, reference logits and pictures, latency.

    A check that cannot be made because an earlier one failed is not made and not counted as passed: the
    report ends there.

    Parameters
    ----------
    keys
        Folder of the public keys that this gate computer believes; without it signatures must fit the package,
        but nobody says whose they are.
    signatures
        How many different trusted people must have signed, where keys are given.
    budget
        The site's time between camera and gate; the slowest one in a hundred decisions must fit.
    """
    checks: list[Check] = []
    manifest = _tried(checks, "manifest", lambda: _manifest(folder))
    package = latency = None
    if (
        manifest
        and _tried(checks, "every byte", lambda: _bytes(folder, manifest))
        and _tried(checks, "signature", lambda: _signed(folder, keys, signatures))
    ):
        package = _tried(checks, "records", lambda: _records(folder, manifest))
    if package:
        _tried(checks, "reference logits", lambda: _logits_agree(package))
        _tried(checks, "reference pictures", lambda: _pictures_agree(package, progress))
        latency = _tried(checks, "latency", lambda: _latency(package, progress))
    if latency and budget:
        _tried(checks, "time budget", lambda: _in_time(latency, budget))
    return VerifyReport(str(folder), manifest.package_id if manifest else "", tuple(checks), latency)


T = TypeVar("T")


def _tried(checks: list[Check], name: str, question: Callable[[], tuple[T, str]]) -> T | None:
    """Put one question; note the answer; give back what it found, or None where it failed."""
    try:
        found, detail = question()
    except InputError as error:
        checks.append(Check(name, ok=False, detail=str(error)))
        return None
    except Exception as error:
        checks.append(Check(name, ok=False, detail=f"{type(error).__name__}: {error}"))
        return None
    checks.append(Check(name, ok=True, detail=detail))
    return found


def _manifest(folder: Path) -> tuple[Manifest, str]:
    manifest = read_manifest(folder)
    return manifest, f"format {manifest.format}, package {manifest.short_id}, {len(manifest.files)} files"


def _bytes(folder: Path, manifest: Manifest) -> tuple[bool, str]:
    problems = find_altered(folder, manifest)
    _require_none(problems, where=str(folder), do="Copy the whole folder again from the export.")
    return True, f"{len(manifest.files)} files as written, none missing, none extra"


def _signed(folder: Path, keys: Path | None, signatures: int) -> tuple[bool, str]:
    if keys is not None:
        return True, f"signed by {', '.join(require_signed(folder, read_trusted_keys(keys), at_least=signatures))}"
    find_signers(folder, ())
    made = read_signatures(folder)
    return True, f"{len(made)} fit, give --keys to see whose" if made else "not signed"


def _records(folder: Path, manifest: Manifest) -> tuple[Package, str]:
    """The package, once model, cutoffs, policy, classes and manifest speak of the same things."""
    package = load_package(folder, manifest)
    cutoffs = package.cutoffs
    ordered = tuple(one.code for one in sorted(package.classes, key=lambda one: one.order))
    pairs = (
        ("class order", (ordered, manifest.classes), cutoffs.classes),
        ("groups", ({one.code: one.group for one in package.classes}, package.policy.groups), cutoffs.groups),
        ("model hash", (sha256_file(folder / MODEL), manifest.model_sha256), cutoffs.model),
        ("policy hash", (package.policy.sha256, manifest.policy_sha256), cutoffs.policy_sha256),
        ("cutoffs hash", (sha256_file(folder / CUTOFFS),), manifest.cutoffs_sha256),
    )
    _require_none(
        [
            f"{name} differs: {found} and {wanted}"
            for name, others, wanted in pairs
            for found in others
            if found != wanted
        ],
        where=str(folder),
        do="Export again.",
    )
    return package, f"classes {', '.join(ordered)}; model, policy and cutoffs belong together"


def _logits_agree(package: Package) -> tuple[bool, str]:
    path = package.folder / LOGIT_CASES
    cases = read_logit_cases(path, package.cutoffs.classes)
    wrong = []
    for case in cases:
        made = decide(case.logits, package.cutoffs, hold_reason=case.hold_reason)
        if not case.agrees(made):
            wrong.append(
                f"{case.case} ({case.note}): {made.action} at {made.score!r}, listed {case.action} {case.score!r}"
            )
    _require_none(wrong, where=str(path), do="Do not use this package on this computer; report its processor.")
    return True, f"{len(cases)} cases, every score and action as listed"


def _pictures_agree(package: Package, progress: Progress) -> tuple[bool, str]:
    cases = read_picture_cases(package.folder, package.cutoffs.classes)
    wrong, largest = [], 0.0
    for case in tracked(cases, "Replaying reference pictures", progress):
        logits = score_pictures(_picture_bytes(package, case), package.model, package.crop)
        off = _largest_difference(logits, case.logits)
        largest = max(largest, off)
        if not off <= LOGIT_TOLERANCE:
            wrong.append(f"{case.presentation}: logits differ by {off:.3g}, allowed {LOGIT_TOLERANCE:g}")
        elif _is_clear(case, package.cutoffs):
            made = decide(logits.astype(np.float64), package.cutoffs)
            if made.action is not case.action:
                wrong.append(f"{case.presentation}: {made.action}, listed {case.action}")
    _require_none(wrong, where=str(package.folder), do="Do not use this package on this computer.")
    return True, f"{len(cases)} presentations, same actions, logits within {largest:.2g}"


def _picture_bytes(package: Package, case: PictureCase) -> list[bytes]:
    return [(package.folder / name).read_bytes() for name in case.files]


def _largest_difference(found: Logits, listed: Logits) -> float:
    """Largest absolute difference; infinite where shapes differ, not a number where a logit is none."""
    if found.shape != listed.shape:
        return math.inf
    return float(np.max(np.abs(found.astype(np.float64) - listed)))


def _is_clear(case: PictureCase, cutoffs: Cutoffs) -> bool:
    """Whether the score is farther than eps from both cutoffs, so that the action must be equal."""
    edges = [float(edge) for edge in (cutoffs.gate_u, cutoffs.gate_v) if math.isfinite(edge)]
    return all(abs(case.score - edge) > cutoffs.eps for edge in edges)


def _latency(package: Package, progress: Progress) -> tuple[Latency, str]:
    cases = read_picture_cases(package.folder, package.cutoffs.classes)
    contents = [_picture_bytes(package, case) for case in cases]
    package.decide(contents[0])  # the first run pays for loading
    times = [
        package.decide(contents[n % len(contents)]).latency_ms for n in tracked(range(TIMED_RUNS), "Timing", progress)
    ]
    p50, p95, p99 = (float(value) for value in np.percentile(times, (50, 95, 99), method="higher"))
    latency = Latency(n=TIMED_RUNS, p50_ms=p50, p95_ms=p95, p99_ms=p99)
    return latency, f"p50 {p50:.1f} ms, p95 {p95:.1f} ms, p99 {p99:.1f} ms over {TIMED_RUNS} presentations"


def _in_time(latency: Latency, budget: TimeBudget) -> tuple[bool, str]:
    found = check_budget(budget, latency.p99_ms)
    said = f"p99 {found.p99_ms:.1f} ms; {found.left_ms:.0f} ms are left of {budget.travel_s * 1e3:.0f} ms of travel"
    do = "Move the camera, slow the fish, or take a faster computer."
    _require_none([] if found.ok else [said], where="site file", do=do)
    return True, said


def _require_none(problems: Sequence[str], *, where: str, do: str) -> None:
    if problems:
        more = len(problems) - SHOWN_PROBLEMS
        text = "; ".join(problems[:SHOWN_PROBLEMS]) + (f"; and {more} more" if more > 0 else "")
        raise InputError(text, where=where, do=do)
