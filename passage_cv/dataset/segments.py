"""One accepted batch as one immutable Parquet file: a row per image, in sheet order.

Comes in: a checked batch. Goes out: a table whose columns are those of :data:`SCHEMA`, whatever the sheet's
own columns were; the row as received is kept as JSON in ``sheet``. Roles are not in it: they are facts.
"""

from __future__ import annotations

import json
from collections.abc import Iterator

import pyarrow as pa
import pyarrow.parquet as pq

from passage_cv.files import canonical_json, sha256_bytes, sha256_file
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.columns import NUMBER_COLUMNS
from passage_cv.intake.images import Picture
from passage_cv.intake.lines import Line
from passage_cv.intake.sheet import PERMITS, SETUPS
from passage_cv.intake.target_checks import see_targets
from passage_cv.intake.targets import Target

_SHEET_TEXT = (
    "light",
    "recordedBy",
    "organismID",
    "identificationMethod",
    "identifiedBy",
    "sex",
    "sexMethod",
    "lifeStage",
    "mark",
    "length_type",
    "permit",
    "animalCareProtocol",
    "gear",
)
_KEYS = (
    "image_sha256",
    "individual",
    "occurrence",
    "event",
    "event_date",
    "trip",
    "site",
    "setup_id",
    "camera",
    "taken_at",
    "scientificName",
    "code",
    "purpose",
)

TARGET_COLUMNS = {
    "light": "target_light",
    "red_green": "target_red_green",
    "blue_green": "target_blue_green",
    "marker_px": "target_marker_px",
    "sharpness": "target_sharpness",
}
"""What was measured on a picture of the reference target, and its column; null for every other picture."""

_TYPES: dict[str, pa.DataType] = {
    **dict.fromkeys(_KEYS, pa.string()),
    "sheet_order": pa.int32(),
    **dict.fromkeys(NUMBER_COLUMNS, pa.float64()),
    **dict.fromkeys((*_SHEET_TEXT, "batch", "image", "fingerprint"), pa.string()),
    **dict.fromkeys(("row", "width", "height"), pa.int32()),
    "sheet": pa.string(),
    **dict.fromkeys(TARGET_COLUMNS.values(), pa.float64()),
}
SCHEMA = pa.schema(_TYPES)


def batch_id(batch: CheckedBatch) -> str:
    """Name of a batch: its folder's name and a hash of everything in it that is kept.

    The hash covers the sheet, the facts, every kept picture, every exclusion and decision, the confirmed
    layout and pairing, set-ups and permits; it ignores the order in which files are found.
    """
    content = {
        "sheet": batch.sheet_sha256,
        "facts": dict(batch.facts),
        "pictures": {picture.name: picture.sha256 for picture in batch.images},
        "excluded": dict(batch.excluded),
        "resolutions": batch.resolutions.model_dump(mode="json"),
        "layout": batch.layout.model_dump(mode="json") if batch.layout else None,
    }
    if batch.pairing:
        content["pairing"] = batch.pairing.facts
    for name in (SETUPS, PERMITS):
        if (batch.folder / name).is_file():
            content[name] = sha256_file(batch.folder / name)
    name = "".join(c if c.isalnum() or c in "-_." else "-" for c in batch.folder.resolve().name)
    return f"{name}-{sha256_bytes(canonical_json(content))[:12]}"


def build_segment(batch: CheckedBatch) -> pa.Table:
    """The rows of a batch without unresolved findings, a row per kept image."""
    pictures = {picture.name: picture for picture in batch.images}
    targets = {seen.picture.name: _target_columns(seen.target) for seen in see_targets(batch)}
    name = batch_id(batch)
    rows = [
        {**_row(line, pictures[image]), **targets.get(image, {}), "batch": name, "sheet_order": order}
        for order, (line, image) in enumerate(_kept(batch))
    ]
    return pa.Table.from_pylist(rows, schema=SCHEMA)


def encode_segment(table: pa.Table) -> bytes:
    """Parquet bytes (zstd); the same table gives the same bytes."""
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd", store_schema=False)
    data: bytes = sink.getvalue().to_pybytes()
    return data


def decode_segment(data: bytes) -> pa.Table:
    """The table of a segment's bytes, with null in columns that came later than it; one thread, as it is small."""
    found = pq.ParquetFile(pa.BufferReader(data)).read(use_threads=False)
    columns = [
        found[field.name].cast(field.type) if field.name in found.column_names else pa.nulls(len(found), field.type)
        for field in SCHEMA
    ]
    return pa.table(columns, schema=SCHEMA)


def _target_columns(target: Target) -> dict[str, float | None]:
    return {column: getattr(target, name) for name, column in TARGET_COLUMNS.items()}


def _kept(batch: CheckedBatch) -> Iterator[tuple[Line, str]]:
    return ((line, image) for line in batch.rows for image in batch.kept_images(line))


def _row(line: Line, picture: Picture) -> dict[str, object]:
    text, species = line.text, line.species
    individual = line.individual if line.shows_fish else ""
    return {
        "image_sha256": picture.sha256,
        "individual": individual,
        "occurrence": line.occurrence if individual else "",
        "event": text["eventID"],
        "event_date": text["eventDate"],
        "trip": text["trip"],
        "site": text["locationID"],
        "setup_id": text["setup_id"],
        "camera": text["camera"] or picture.camera,
        "taken_at": text["taken_at"] or picture.taken_at,
        "scientificName": species.scientific_name if species else "",
        "code": (species.code if species else "") or text["code"],
        "purpose": line.purpose,
        **line.numbers,
        **{name: text[name] for name in _SHEET_TEXT},
        "image": picture.name,
        "fingerprint": picture.looks.fingerprint,
        "row": line.row,
        "width": picture.width,
        "height": picture.height,
        "sheet": json.dumps(dict(line.cells), ensure_ascii=False, sort_keys=True),
    }
