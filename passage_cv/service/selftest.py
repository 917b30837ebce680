"""The self-test before a gate may decide: the package as it lies here, its signatures, its site, the log.

What it loads is what it checked. The camera and the link are watched afterwards, all the time.
"""

from __future__ import annotations

from pathlib import Path

from passage_cv.errors import InputError
from passage_cv.gate.format import LOGIT_CASES
from passage_cv.gate.reference import read_logit_cases
from passage_cv.gate.runtime import Package, open_package
from passage_cv.gate.signature import read_trusted_keys, require_signed
from passage_cv.gate.site import Site


def self_test(folder: Path, site: Site) -> Package:
    """Check and load a package for a site.

    Raises
    ------
    InputError
        If a byte differs, the package is of another site, or a reference decision comes out otherwise.
    """
    gate = open_package(folder)
    if gate.manifest.site != site.site:
        raise InputError(
            f"Package is for {gate.manifest.site}, this site is {site.site}",
            where=str(folder),
            do="Export one under this site's policy.",
        )
    _require_reference(gate)
    return gate


def require_signers(folder: Path, keys: Path | None, at_least: int) -> tuple[str, ...]:
    """Who signed a package that shall command a gate.

    Raises
    ------
    InputError
        If no keys are given, a signature does not fit, or fewer than ``at_least`` trusted people signed.
    """
    if keys is None:
        raise InputError(
            "No trusted keys were given, and a gate is commanded only by a signed package",
            where=str(folder),
            do="Give the folder of the site's public keys.",
        )
    return require_signed(folder, read_trusted_keys(keys), at_least=at_least)


def _require_reference(gate: Package) -> None:
    """Every reference decision comes out as listed, on this processor."""
    path = gate.folder / LOGIT_CASES
    for case in read_logit_cases(path, gate.cutoffs.classes):
        if not case.agrees(case.decide(gate.cutoffs)):
            raise InputError(
                f"Reference decision {case.case} comes out otherwise here",
                where=str(path),
                do="Do not use this computer.",
            )
