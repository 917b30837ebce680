"""A refused batch is set aside whole: every file as it came, what was found, and a file of decisions to fill in.

Resuming it is accepting the folder that was set aside, once the decisions are made. The folder that was refused is
left as it is.
"""

from __future__ import annotations

from pathlib import Path

from passage_cv.errors import InputError
from passage_cv.files import link_tree, read_json, write_json, write_text
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.resolutions import draft_resolutions
from passage_cv.intake.sheet import RESOLUTIONS

REFUSED = "refused.json"
"""What was found, beside the sheet of a batch that was set aside."""
DRAFT = "resolutions.draft.toml"
"""Decisions to fill in; under the name of the decisions file they count."""


def set_batch_aside(batch: CheckedBatch, place: Path, *, why: str, at: str) -> Path:
    """Keep a refused batch below ``place``, under its folder's name, and return where.

    Files are linked where the disk allows, else copied. Setting the same batch aside again writes the findings anew
    and keeps decisions made there.

    Parameters
    ----------
    why
        The refusal, as the person saw it.
    at
        When, ISO 8601.

    Raises
    ------
    InputError
        If another batch of that name was set aside there.
    """
    kept = place / batch.folder.resolve().name
    if kept.resolve() != batch.folder.resolve():
        _require_same(batch, kept)
        link_tree(batch.folder, kept, keeping=RESOLUTIONS)
    findings = [finding.as_dict() for finding in batch.findings]
    values = {"why": why, "at": at, "sheet_sha256": batch.sheet_sha256, "findings": findings}
    write_json(kept / REFUSED, values)
    cells = {line.row: line.cells for line in batch.rows}
    write_text(kept / DRAFT, draft_resolutions(batch.unresolved, cells))
    return kept


def _require_same(batch: CheckedBatch, kept: Path) -> None:
    if (kept / REFUSED).is_file() and read_json(kept / REFUSED).get("sheet_sha256") != batch.sheet_sha256:
        raise InputError(
            "Another batch of this name was set aside there",
            where=str(kept),
            do="Resume or remove that one, or give this batch's folder another name.",
        )
