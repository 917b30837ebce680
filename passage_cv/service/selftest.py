"""The self-test before a gate may decide: the package as it lies here, its signatures, its site, the log.

What it loads is what it checked. The camera and the link are watched afterwards, all the time.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from passage_cv.decision.rule import decide
from passage_cv.errors import InputError
from passage_cv.gate.format import LOGIT_CASES
from passage_cv.gate.reference import read_logit_cases
from passage_cv.gate.runtime import Package, open_package
from passage_cv.gate.signature import read_trusted_keys, require_signed
from passage_cv.gate.site import Site
from passage_cv.service.audit import audit_report, tighten
from passage_cv.service.log import GateLog


def self_test(folder: Path, site: Site, log: GateLog, *, keys: Path | None) -> Package:
    """Check and load a package for a site; where an audit alarm stands, with the tighter cutoffs.

    Raises
    ------
    InputError
        If a byte differs, signatures are missing, the package is of another site, a reference decision comes
        out otherwise, or the log cannot be written.
    """
    gate = open_package(folder)
    if keys is not None and site.signatures:
        require_signed(folder, read_trusted_keys(keys), at_least=site.signatures)
    if gate.manifest.site != site.site:
        raise InputError(
            f"Package is for {gate.manifest.site}, this site is {site.site}",
            where=str(folder),
            do="Export one under this site's policy.",
        )
    _require_reference(gate)
    now = datetime.now(UTC).isoformat(timespec="seconds")
    log.add_event(time=now, kind="self-test", detail=f"package {gate.manifest.short_id}")
    own = [line for line in log.lines() if line.package_id == gate.manifest.package_id]
    report = audit_report(own, log.audited(), gate.policy, delta=site.audit.delta)
    return replace(gate, cutoffs=tighten(gate.cutoffs, report))


def _require_reference(gate: Package) -> None:
    """Every reference decision comes out as listed, on this processor."""
    path = gate.folder / LOGIT_CASES
    for case in read_logit_cases(path, gate.cutoffs.classes):
        if not case.agrees(decide(case.logits, gate.cutoffs, hold_reason=case.hold_reason)):
            raise InputError(
                f"Reference decision {case.case} comes out otherwise here",
                where=str(path),
                do="Do not use this computer.",
            )
