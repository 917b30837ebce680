"""Check a gate package where it will work: every byte first, then every reference case, then the time it takes.

Nothing of the package is loaded before its hashes are right. The report is a record for commissioning; it
never raises for a bad package.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TypeVar

from passage_cv.errors import InputError
from passage_cv.files import sha256_file
from passage_cv.gate.computer import Computer, this_computer
from passage_cv.gate.format import CUTOFFS, MODEL
from passage_cv.gate.latency import Latency, measure_latency
from passage_cv.gate.manifest import Manifest, find_altered, read_manifest
from passage_cv.gate.pictures import read_picture_cases
from passage_cv.gate.replay import (
    NotMade,
    c_header_agrees,
    logits_agree,
    picture_bytes,
    pictures_agree,
    require_none,
    structured_text_parses,
)
from passage_cv.gate.runtime import Package, load_package
from passage_cv.gate.signature import find_signers, read_signatures, read_trusted_keys, require_signed
from passage_cv.gate.timing import BudgetCheck, TimeBudget, check_budget
from passage_cv.progress import Progress, silent


@dataclass(frozen=True, slots=True)
class Check:
    """One question put to the package and its answer.

    ``made`` is false where this computer has no tool for the question; ``ok`` is true then, and ``detail`` says so.
    """

    name: str
    ok: bool
    detail: str
    made: bool = True


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """What was checked, in order; ``latency`` and ``budget`` are None where the checks never came so far."""

    folder: str
    package_id: str
    computer: Computer
    checks: tuple[Check, ...]
    latency: Latency | None
    budget: BudgetCheck | None

    @property
    def ok(self) -> bool:
        """Whether every check that was made passed."""
        return all(check.ok for check in self.checks)

    @property
    def not_made(self) -> tuple[str, ...]:
        """Checks that this computer has no tool for."""
        return tuple(check.name for check in self.checks if not check.made)

    def as_dict(self) -> dict[str, object]:
        """Plain values for a commissioning record."""
        return {**asdict(self), "ok": self.ok, "not_made": self.not_made}


def verify_package(
    folder: Path,
    *,
    keys: Path | None = None,
    signatures: int = 1,
    budget: TimeBudget | None = None,
    progress: Progress = silent,
) -> VerifyReport:
    """Check a package folder: bytes, signatures, records, reference cases by Python, model and C header, latency.

    A check that cannot be made because an earlier one failed is not made and not counted as passed: the
    report ends there. One that needs a tool this computer lacks is listed as not made.

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
    asked = _Asked(progress)
    manifest = asked.ask("manifest", lambda: _manifest(folder))
    package = latency = in_time = None
    if (
        manifest
        and asked.ask("every byte", lambda: _bytes(folder, manifest, progress))
        and asked.ask("signature", lambda: _signed(folder, keys, signatures))
    ):
        package = asked.ask("records", lambda: _records(folder, manifest))
    if package:
        asked.ask("reference logits", lambda: logits_agree(package, progress))
        asked.ask("reference pictures", lambda: pictures_agree(package, progress))
        asked.ask("C header", lambda: c_header_agrees(package))
        asked.ask("Structured Text", lambda: structured_text_parses(package))
        latency = asked.ask("latency", lambda: _latency(package, progress))
    if latency and budget:
        in_time = check_budget(budget, latency.p99_ms)
        asked.ask("time budget", lambda: _in_time(in_time, budget))
    identity = manifest.package_id if manifest else ""
    return VerifyReport(str(folder), identity, this_computer(), tuple(asked.checks), latency, in_time)


T = TypeVar("T")
QUESTIONS = 9
"""How many there are before the time budget, which takes no time."""


@dataclass(slots=True)
class _Asked:
    """The questions put so far and their answers."""

    progress: Progress
    checks: list[Check] = field(default_factory=list)

    def ask(self, name: str, question: Callable[[], tuple[T, str]]) -> T | None:
        """Put one question; note the answer; give back what it found, or None where it failed."""
        self.progress("Checks", min(len(self.checks), QUESTIONS), QUESTIONS)
        try:
            found, detail = question()
        except NotMade as error:
            self.checks.append(Check(name, ok=True, detail=f"not made here: {error}", made=False))
            return None
        except InputError as error:
            self.checks.append(Check(name, ok=False, detail=str(error)))
            return None
        except Exception as error:
            self.checks.append(Check(name, ok=False, detail=f"{type(error).__name__}: {error}"))
            return None
        self.checks.append(Check(name, ok=True, detail=detail))
        return found


def _manifest(folder: Path) -> tuple[Manifest, str]:
    manifest = read_manifest(folder)
    return manifest, f"format {manifest.format}, package {manifest.short_id}, {len(manifest.files)} files"


def _bytes(folder: Path, manifest: Manifest, progress: Progress) -> tuple[bool, str]:
    problems = find_altered(folder, manifest, progress)
    require_none(problems, where=str(folder), do="Copy the whole folder again from the export.")
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
    require_none(
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


def _latency(package: Package, progress: Progress) -> tuple[Latency, str]:
    cases = read_picture_cases(package.folder, package.cutoffs.classes)
    made = measure_latency(package, [picture_bytes(package, case) for case in cases], progress)
    return (
        made,
        f"p50 {made.p50_ms:.1f} ms, p95 {made.p95_ms:.1f} ms, p99 {made.p99_ms:.1f} ms over {made.n} decisions",
    )


def _in_time(found: BudgetCheck, budget: TimeBudget) -> tuple[bool, str]:
    said = f"p99 {found.p99_ms:.1f} ms; {found.left_ms:.0f} ms are left of {budget.travel_s * 1e3:.0f} ms of travel"
    do = "Move the camera, slow the fish, or take a faster computer."
    require_none([] if found.ok else [said], where="site file", do=do)
    return True, said
