"""A refused batch is set aside whole: every file as it came, what was found, and a file of decisions to fill in.

Resuming it is accepting the folder that was set aside, once the decisions are made; what is said of the refusal there
is then history. The folder that was refused is left as it is.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from pathlib import Path

from passage_cv.errors import InputError
from passage_cv.files import link_tree, read_json, write_json, write_text
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.layout import as_received
from passage_cv.intake.resolutions import draft_resolutions
from passage_cv.intake.sheet import RESOLUTIONS, read_sheet
from passage_cv.records import Finding

REFUSED = "refused.json"
"""What was found, beside the sheet of a batch that was set aside."""
WAS_REFUSED = "was-refused.json"
"""The same once the batch was accepted, with who accepted it, when and as what."""
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
    write_text(kept / DRAFT, draft_of(batch, batch.unresolved))
    return kept


def draft_of(batch: CheckedBatch, findings: Iterable[Finding]) -> str:
    """Decisions to fill in about findings of a batch, in the headings, units and signs of its sheet as received."""
    cells = {row.number: row.cells for row in read_sheet(batch.sheet).rows}
    return draft_resolutions(findings, cells, partial(as_received, batch.layout))


def note_accepted(batch: CheckedBatch, place: Path | None, *, version: str, who: str, at: str) -> list[Path]:
    """Say of a batch that was refused once that it is accepted now; returns the files that say so.

    Parameters
    ----------
    batch
        The accepted one; its own folder may be the one that was set aside.
    place
        Where refused batches are set aside, if known: a copy of the same sheet below it is meant too.
    version, who, at
        Which version has it, who accepted it and when (ISO 8601).
    """
    own = batch.folder.resolve()
    copy = place / own.name if place else own
    folders = dict.fromkeys([own, *([copy.resolve()] if _sheet_kept(copy) == batch.sheet_sha256 else [])])
    noted = []
    for folder in (one for one in folders if (one / REFUSED).is_file()):
        values = {**read_json(folder / REFUSED), "accepted": {"version": version, "who": who, "at": at}}
        write_json(folder / WAS_REFUSED, values)
        (folder / REFUSED).unlink()
        noted.append(folder / WAS_REFUSED)
    return noted


def _sheet_kept(kept: Path) -> str:
    """Hash of the sheet of the batch that was set aside in a folder; empty where none was."""
    found = next((kept / name for name in (REFUSED, WAS_REFUSED) if (kept / name).is_file()), None)
    return str(read_json(found).get("sheet_sha256", "")) if found else ""


def _require_same(batch: CheckedBatch, kept: Path) -> None:
    if _sheet_kept(kept) not in {"", batch.sheet_sha256}:
        raise InputError(
            "Another batch of this name was set aside there",
            where=str(kept),
            do="Resume or remove that one, or give this batch's folder another name.",
        )
