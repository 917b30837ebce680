"""Keep a checked batch whole, or none of it.

Comes in: a batch without unresolved findings. Goes out: a new version and a receipt. Pictures, rows and
sheet are written first under names that say their content; the version that names them is the last step, so
a killed writer leaves nothing half accepted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

import pyarrow as pa

from passage_cv.dataset.against_store import Earlier, findings_against, look_back
from passage_cv.dataset.facts import BatchEntry, DrawFact, RegisterFact, RolesFact, put_fact
from passage_cv.dataset.keys import make_keys
from passage_cv.dataset.look_history import LOOKS, encode_looks, findings_of_sharpness
from passage_cv.dataset.permit_counts import findings_of_permits, handled_before, handled_with
from passage_cv.dataset.receipt import Receipt, build_receipt, has_receipt, keep_receipt
from passage_cv.dataset.receipt_page import receipt_page
from passage_cv.dataset.registers import new_entries, register_of
from passage_cv.dataset.roles import OBSERVED, Observation, draw_roles
from passage_cv.dataset.rows import write_pack
from passage_cv.dataset.segments import batch_id, build_segment, encode_segment
from passage_cv.dataset.setup_history import findings_of_setups
from passage_cv.dataset.store import Store
from passage_cv.dataset.tables import tuples
from passage_cv.dataset.versions import (
    Version,
    VersionRecord,
    commit,
    latest_version,
    next_record,
    open_version,
)
from passage_cv.dataset.working import working_path
from passage_cv.errors import InputError
from passage_cv.files import canonical_json, sha256_bytes
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.coco import find_coco
from passage_cv.intake.images import Picture
from passage_cv.intake.permits import permits_of
from passage_cv.intake.setups import setups_of
from passage_cv.intake.sheet import COMPANIONS
from passage_cv.progress import Progress, silent, tracked
from passage_cv.records import Finding

_SHOWN = 10
_WRITERS = 8


def accept_batch(
    batch: CheckedBatch,
    store: Store,
    *,
    author: str,
    reason: str = "",
    at: datetime | None = None,
    progress: Progress = silent,
) -> Receipt:
    """Accept a batch: all of it, or none.

    Parameters
    ----------
    batch
        Checked, with no finding left to resolve.
    store
        Where to keep it.
    author
        Who accepts it.
    reason
        For the history; the batch's name by default.
    at
        When; now by default. Must know its offset.
    progress
        Told of each picture kept.

    Returns
    -------
    Receipt
        ``changed`` is False where the store already had this batch, byte for byte.

    Raises
    ------
    InputError
        If something must be resolved, in the batch or beside what the store has, or a picture changed after
        it was checked. The store is as it was.
    """
    _require_resolved(batch.unresolved, batch)
    if not author.strip():
        raise InputError("A batch is accepted by somebody", where=str(batch.folder), do="Say who accepts it.")
    name, segment = batch_id(batch), build_segment(batch)
    newest = latest_version(store)
    if newest and newest.find_batch(name):
        return _receipt(newest, name, changed=False)
    if not len(segment):
        raise InputError("Batch keeps no picture", where=str(batch.folder), do="Leave fewer pictures out.")
    earlier = look_back(segment, newest)
    shown = _require_fits(batch, segment, earlier, store)
    _keep_pictures(batch, store, progress)
    kept = _Kept(
        batch=batch,
        name=name,
        segment=segment,
        segment_sha256=_keep_segment(segment, store),
        files=_keep_files(batch, name, store, shown),
        author=author,
        at=(at or datetime.now(UTC)).isoformat(),
        reason=reason or f"accept {name}",
    )
    seen = {newest.name if newest else "": earlier}
    version = commit(store, lambda before: _next_record(kept, before, store, seen), known=newest)
    if version:
        _keep_derived(version)
    return _receipt(version or open_version(store), name, changed=version is not None)


def _keep_derived(version: Version) -> None:
    """What makes the next look back quick: the batch's keys, and those and the pack of a window that it sealed."""
    make_keys(version, version.record.batches[-1].segment)
    if version.record.sealed and len(version.record.batches) == 1:
        window = version.record.sealed[-1]
        write_pack(version.store, window, version.windows[window], version.filled_facts)
        make_keys(version, window)


def _receipt(version: Version, name: str, *, changed: bool) -> Receipt:
    """The receipt, kept beside the batch's sheet unless one lies there (a killed writer may have left none)."""
    receipt = build_receipt(version, name, changed=changed)
    if not has_receipt(version.store, receipt.batch):
        keep_receipt(version.store, receipt, receipt_page(receipt))
    return receipt


@dataclass(frozen=True, slots=True)
class _Kept:
    """A batch whose files are in the store, waiting for the version that names them."""

    batch: CheckedBatch
    name: str
    segment: pa.Table
    segment_sha256: str
    files: Mapping[str, str]
    author: str
    at: str
    reason: str


def _next_record(kept: _Kept, before: Version | None, store: Store, seen: dict[str, Earlier]) -> VersionRecord | None:
    """The record that adds a batch on top of a version; None where another writer added the same batch.

    ``seen`` holds what was looked back at, so that only a lost race reads the store again.
    """
    if before and before.find_batch(kept.name):
        return None
    key = before.name if before else ""
    if key not in seen:
        seen[key] = look_back(kept.segment, before)
        _require_fits(kept.batch, kept.segment, seen[key], store)
    roles = put_fact(store, _roles_fact(kept, seen[key], store))
    entry = BatchEntry(id=kept.name, segment=kept.segment_sha256, roles=roles)
    brought = _register_fact(kept, before)
    fact = put_fact(store, brought) if brought else ""
    return next_record(before, store, entry=entry, fact=fact, author=kept.author, at=kept.at, reason=kept.reason)


def _register_fact(kept: _Kept, before: Version | None) -> RegisterFact | None:
    """What a batch puts on file: set-ups and permits that the store did not know."""
    return new_entries(
        register_of(before),
        setups=setups_of(kept.batch).values(),
        permits=permits_of(kept.batch),
        author=kept.author,
        at=kept.at,
        why=f"came with {kept.name}",
    )


def _roles_fact(kept: _Kept, earlier: Earlier, store: Store) -> RolesFact:
    observations = [Observation(*row) for row in tuples(kept.segment, *OBSERVED)]
    assigned = draw_roles(observations, store.settings, earlier.state, alike=earlier.alike_images())
    return RolesFact(
        batch=kept.name,
        author=kept.author,
        at=kept.at,
        seed=store.settings.seed,
        unit=store.settings.unit,
        draws=tuple(DrawFact(**asdict(draw)) for draw in assigned.draws),
        units=dict(assigned.units),
        drawn=dict(assigned.drawn),
        handled=handled_with(handled_before(earlier.before), kept.batch),
        excluded=dict(assigned.excluded),
        left_out=dict(kept.batch.excluded),
        files=dict(kept.files),
    )


def _require_fits(batch: CheckedBatch, segment: pa.Table, earlier: Earlier, store: Store) -> list[Finding]:
    """Refuse what contradicts the store; returns what is only for looking at."""
    findings = _beside(batch, segment, earlier, store)
    must = [finding for finding in findings if finding.severity == "must resolve"]
    _require_resolved([finding for finding in must if batch.resolutions.stands(finding) is None], batch)
    return findings


def check_beside_store(batch: CheckedBatch, store: Store) -> list[Finding]:
    """What only shows beside earlier batches, for a batch that nobody accepts yet; nothing is written.

    A batch with unreadable pictures is held against the store once those are resolved.
    """
    if any(picture.problem for picture in batch.images):
        return []
    segment, newest = build_segment(batch), latest_version(store)
    if not len(segment) or (newest and newest.find_batch(batch_id(batch))):
        return []
    return _beside(batch, segment, look_back(segment, newest), store)


def _beside(batch: CheckedBatch, segment: pa.Table, earlier: Earlier, store: Store) -> list[Finding]:
    register = register_of(earlier.before)
    return [
        *findings_against(segment, earlier, store),
        *findings_of_sharpness(batch, earlier.before),
        *findings_of_setups(batch, earlier.before, register),
        *findings_of_permits(batch, handled_before(earlier.before), register),
    ]


def _require_resolved(findings: Sequence[Finding], batch: CheckedBatch) -> None:
    if not findings:
        return
    shown = "; ".join(finding.message for finding in findings[:_SHOWN])
    more = f"; and {len(findings) - _SHOWN} more" if len(findings) > _SHOWN else ""
    raise InputError(
        f"{len(findings)} findings must be resolved: {shown}{more}",
        where=f"batch {batch.folder.name}, sheet {batch.sheet.name}, {len(batch.rows)} rows",
        do="Correct the batch, exclude single pictures by name with the reason, or let stand with the reason what may"
        " stand (resolutions.toml); nothing was stored.",
    )


def _keep_pictures(batch: CheckedBatch, store: Store, progress: Progress) -> None:
    """Copy every picture into the store; several at once, because most of the time is waiting for the disk."""
    with ThreadPoolExecutor(_WRITERS) as pool:
        kept = pool.map(lambda picture: _keep_picture(picture, store), batch.images)
        for _ in tracked(kept, "Keeping pictures", progress, total=len(batch.images)):
            pass


def _keep_picture(picture: Picture, store: Store) -> None:
    """Keep a picture and the reduced copy of its one decode; a lost copy is made again when asked for."""
    data = Path(picture.path).read_bytes()
    if sha256_bytes(data) != picture.sha256:
        raise InputError("Picture changed after it was checked", where=picture.path, do="Check the batch again.")
    store.put_object(data, picture.kind)
    copy, path = Path(picture.working), working_path(picture.sha256)
    if picture.working and copy.is_file() and not store.storage.exists(path):
        store.storage.put(path, copy.read_bytes(), durable=False)


def _keep_segment(segment: pa.Table, store: Store) -> str:
    data = encode_segment(segment)
    sha256 = sha256_bytes(data)
    store.storage.put(f"segments/{sha256}.parquet", data)
    return sha256


def _keep_files(batch: CheckedBatch, name: str, store: Store, shown: Sequence[Finding]) -> dict[str, str]:
    """The sheet and its companions as received, what was stated and what was found; returns their hashes."""
    boxes = find_coco(batch.folder)
    received = [batch.sheet, *(batch.folder / extra for extra in COMPANIONS), *([boxes] if boxes else [])]
    files = {path.name: path.read_bytes() for path in received if path.is_file()}
    findings = [finding.as_dict() for finding in (*batch.findings, *shown)]
    beside = [(finding, one) for finding in shown if (one := batch.resolutions.stands(finding))]
    stood = [{**finding.as_dict(), "why": one.why, "who": one.who} for finding, one in (*batch.resolved, *beside)]
    said = {"findings": findings, "let_stand": stood, **_said_by_people(batch)}
    files["findings.json"] = canonical_json(said)
    layout = batch.layout.model_dump(mode="json") if batch.layout else None
    stated = {"facts": dict(batch.facts), "headings": list(batch.headings), "layout": layout}
    files["stated.json"] = canonical_json(stated)
    files[LOOKS] = encode_looks(batch)
    for file, data in files.items():
        store.storage.put(f"batches/{name}/{file}", data)
    return {file: sha256_bytes(data) for file, data in files.items()}


def _said_by_people(batch: CheckedBatch) -> dict[str, object]:
    """Corrections with who and why, who signed the pairing, and fish that were only counted, for the receipt."""
    counted: dict[str, int] = {}
    for line in batch.rows:
        if line.is_counted_only:
            name = line.species.scientific_name if line.species else line.text["scientificName"] or line.text["code"]
            counted[name] = counted.get(name, 0) + line.n_counted
    return {
        "corrected": [one.model_dump(mode="json") for one in batch.resolutions.correct],
        "left_out_by": {one.image: one.who for one in batch.resolutions.exclude},
        "paired_by": batch.pairing.who if batch.pairing else "",
        "counted": counted,
    }
