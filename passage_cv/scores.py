"""The scores file between recognition and decision (format 3): one row per image.

Comes in: a Parquet or CSV file, ours or anybody's. Goes out: a checked :class:`Scores` record. Combining the
images of a fish and deciding anything is not done here.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from passage_cv.errors import InputError
from passage_cv.files import sha256_file, write_bytes, write_json
from passage_cv.records import ROLES

Floats = npt.NDArray[np.float64]
Strings = npt.NDArray[np.str_]
Kind = Literal["logit", "prob", "gate_score"]

TEXT_COLUMNS = (
    "image_sha256",
    "individual",
    "occurrence",
    "event",
    "trip",
    "site",
    "setup_id",
    "camera",
    "taken_at",
    "role",
    "class",
    "hold_reason",
    "light",
    "recordedBy",
)
NUMBER_COLUMNS = ("view_weight", "unfamiliarity", "length_mm", "turbidity_NTU")


@dataclass(frozen=True, slots=True)
class Scores:
    """One row per image; row order is sheet order.

    ``values`` has shape (n_images, n_classes) and the order of ``classes`` for logits and probabilities,
    (n_images, 1) for a ready gate score. ``text`` and ``numbers`` hold every column of format 3, with ``""``
    and NaN where the file had none; ``present`` names the columns the file really had.
    """

    kind: Kind
    classes: tuple[str, ...]
    values: Floats
    text: Mapping[str, Strings]
    numbers: Mapping[str, Floats]
    present: frozenset[str]
    meta: Mapping[str, Any] = field(default_factory=dict)
    sha256: str = ""
    source: str = ""

    def __len__(self) -> int:
        return len(self.values)

    @property
    def individual(self) -> Strings:
        """Individual of each image."""
        return self.text["individual"]

    @property
    def label(self) -> Strings:
        """True class of each image."""
        return self.text["class"]

    @property
    def role(self) -> Strings:
        """Role of each image; all ``cut`` where the file has none."""
        return self.text["role"]

    def where(self, keep: npt.NDArray[np.bool_]) -> Scores:
        """The rows where ``keep`` is true, in the same order."""
        return replace(
            self,
            values=self.values[keep],
            text={name: column[keep] for name, column in self.text.items()},
            numbers={name: column[keep] for name, column in self.numbers.items()},
        )

    def with_role(self, role: str) -> Scores:
        """The rows of one role."""
        return self.where(self.role == role)


def build_scores(
    kind: Kind,
    classes: Sequence[str],
    values: Floats,
    columns: Mapping[str, Sequence[object] | npt.NDArray[Any]],
    *,
    meta: Mapping[str, Any] | None = None,
    source: str = "scores",
) -> Scores:
    """Make a checked record from arrays; missing columns get their defaults.

    Raises
    ------
    InputError
        If ``individual`` or ``class`` is missing or empty, a length differs, a role is unknown, probabilities
        are outside [0, 1] or do not sum to 1, or one individual has two classes or two roles.
    """
    n = len(values)
    for name in ("individual", "class"):
        if name not in columns:
            raise InputError(f"Scores have no column {name!r}", where=source, do="Add it; a line is one image.")
    for name, column in columns.items():
        if len(column) != n:
            raise InputError(f"Column {name!r} has {len(column)} values for {n} images", where=source)
    text = {name: _text(columns.get(name), n) for name in TEXT_COLUMNS}
    numbers = {name: _numbers(name, columns.get(name), n, source) for name in NUMBER_COLUMNS}
    if "role" not in columns:
        text["role"] = np.full(n, "cut")
    text["occurrence"] = np.where(text["occurrence"] == "", text["individual"], text["occurrence"])
    numbers["view_weight"] = np.where(np.isnan(numbers["view_weight"]), 1.0, numbers["view_weight"])
    scores = Scores(
        kind=kind,
        classes=tuple(classes),
        values=np.asarray(values, dtype=np.float64).reshape(n, -1),
        text=text,
        numbers=numbers,
        present=frozenset(columns),
        meta=dict(meta or {}),
        source=source,
    )
    _check(scores)
    return scores


def read_scores(path: Path) -> Scores:
    """Read a scores file, Parquet or CSV (format 3).

    Metadata come from Parquet key-value pairs (``passage_cv``) or a file ``<name>.json`` beside it. Class
    order is that of the metadata where given, else that of the columns.

    Raises
    ------
    InputError
        If the file is missing, holds no scores, mixes kinds, or fails a check of :func:`build_scores`.
    """
    if not path.is_file():
        raise InputError("Scores file is missing", where=str(path), do="Check the path.")
    columns, meta = _read_csv(path) if path.suffix.lower() == ".csv" else _read_parquet(path)
    side = path.with_name(path.name + ".json")
    if side.is_file():
        meta = json.loads(side.read_text(encoding="utf-8"))
    kind, classes = _score_columns(columns, meta, path)
    names = ["gate_score"] if kind == "gate_score" else [f"{kind}:{name}" for name in classes]
    values = np.column_stack([_numbers(name, columns[name], None, str(path)) for name in names])
    rest = {name: column for name, column in columns.items() if name not in names}
    scores = build_scores(kind, classes, values, rest, meta=meta, source=str(path))
    return replace(scores, sha256=sha256_file(path))


def write_scores(scores: Scores, path: Path) -> str:
    """Write a scores file, Parquet or CSV by its ending, and return its SHA-256."""
    names = ["gate_score"] if scores.kind == "gate_score" else [f"{scores.kind}:{c}" for c in scores.classes]
    table = pa.table(
        {
            **{name: pa.array(scores.text[name].tolist()) for name in TEXT_COLUMNS},
            **{name: pa.array(scores.numbers[name]) for name in NUMBER_COLUMNS},
            **{name: pa.array(scores.values[:, i]) for i, name in enumerate(names)},
        }
    )
    meta = {"format": 1, "classes": list(scores.classes), **scores.meta}
    if path.suffix.lower() == ".csv":
        return _write_csv(table, meta, path)
    sink = pa.BufferOutputStream()
    pq.write_table(
        table.replace_schema_metadata({"passage_cv": json.dumps(meta, sort_keys=True)}),
        sink,
        compression="zstd",
    )
    return write_bytes(path, sink.getvalue().to_pybytes())


def _write_csv(table: pa.Table, meta: Mapping[str, Any], path: Path) -> str:
    lines = [",".join(_quoted(name) for name in table.column_names)]
    lines += [",".join(_quoted(value) for value in row.values()) for row in table.to_pylist()]
    write_json(path.with_name(path.name + ".json"), dict(meta))
    return write_bytes(path, ("\r\n".join(lines) + "\r\n").encode())


def _quoted(value: object) -> str:
    text = "" if value is None or value != value else str(value)  # noqa: PLR0124 - NaN is an empty cell
    return '"' + text.replace('"', '""') + '"' if any(mark in text for mark in ',"\n\r') else text


def _read_parquet(path: Path) -> tuple[dict[str, npt.NDArray[Any]], dict[str, Any]]:
    try:
        table = pq.ParquetFile(path).read()
    except (pa.ArrowException, OSError) as error:
        raise InputError(f"File is not Parquet: {error}", where=str(path), do="Write it again.") from error
    raw = (table.schema.metadata or {}).get(b"passage_cv", b"{}")
    columns = {name: table[name].to_numpy() for name in table.column_names}
    return columns, json.loads(raw)


def _read_csv(path: Path) -> tuple[dict[str, npt.NDArray[Any]], dict[str, Any]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.reader(stream))
    except UnicodeDecodeError as error:
        raise InputError("File is not UTF-8", where=str(path), do="Save it as CSV UTF-8.") from error
    if not rows:
        raise InputError("File is empty", where=str(path), do="Write it again.")
    head, body = rows[0], [row for row in rows[1:] if row]
    for number, row in enumerate(body, start=2):
        if len(row) != len(head):
            raise InputError(
                f"Row {number} has {len(row)} cells, the headings have {len(head)}",
                where=str(path),
                do="Correct that row.",
            )
    return {name: np.array([row[i] for row in body], dtype=object) for i, name in enumerate(head)}, {}


def _score_columns(
    columns: Mapping[str, object], meta: Mapping[str, Any], path: Path
) -> tuple[Kind, tuple[str, ...]]:
    kinds: list[Kind] = []
    for kind in ("logit", "prob"):
        if any(name.startswith(f"{kind}:") for name in columns):
            kinds.append(kind)
    if "gate_score" in columns:
        kinds.append("gate_score")
    if len(kinds) != 1:
        raise InputError(
            f"File must hold one kind of score, found {kinds or 'none'}",
            where=str(path),
            do="Keep either logit:<class>, prob:<class> or gate_score.",
        )
    kind = kinds[0]
    found = tuple(name.partition(":")[2] for name in columns if name.startswith(f"{kind}:"))
    listed = tuple(meta.get("classes", found))
    if kind != "gate_score" and set(listed) != set(found):
        raise InputError(f"Metadata list classes {sorted(listed)}, columns have {sorted(found)}", where=str(path))
    return kind, listed


def _text(column: Sequence[object] | npt.NDArray[Any] | None, n: int) -> Strings:
    if column is None:
        return np.full(n, "", dtype=np.str_)
    return np.array(["" if value is None else str(value) for value in column], dtype=np.str_)


def _numbers(name: str, column: Sequence[object] | npt.NDArray[Any] | None, n: int | None, source: str) -> Floats:
    if column is None:
        return np.full(n or 0, np.nan)
    array = np.asarray(column)
    if array.dtype.kind in "fiu":
        return array.astype(np.float64)
    out = np.empty(len(array))
    for i, value in enumerate(array):
        try:
            out[i] = np.nan if value in (None, "") else float(value)
        except (TypeError, ValueError) as error:
            raise InputError(
                f"{name} is {value!r} in row {i + 2}, a number is needed", where=source, do="Correct it."
            ) from error
    return out


def _check(scores: Scores) -> None:
    where = scores.source
    if len(scores) == 0:
        raise InputError("Scores hold no image", where=where, do="Give at least one row.")
    for name in ("individual", "class"):
        empty = np.flatnonzero(scores.text[name] == "")
        if len(empty):
            raise InputError(f"{name} is empty in row {empty[0] + 2}", where=where, do="Fill it in.")
    unknown = np.flatnonzero(~np.isin(scores.role, ROLES))
    if len(unknown):
        row = unknown[0]
        raise InputError(
            f"role is {str(scores.role[row])!r} in row {row + 2}, allowed are {', '.join(ROLES)}", where=where
        )
    if scores.kind == "prob":
        _check_probabilities(scores)
    for name in ("class", "role"):
        _check_one_per_individual(scores, name)


def _check_probabilities(scores: Scores) -> None:
    known = ~np.isnan(scores.values).any(axis=1)
    outside = known & ((scores.values < 0) | (scores.values > 1)).any(axis=1)
    off = known & (np.abs(scores.values.sum(axis=1) - 1) > 1e-3)
    for bad, what in ((outside, "leave [0, 1]"), (off, "do not sum to 1")):
        if bad.any():
            row = int(np.flatnonzero(bad)[0])
            raise InputError(
                f"Probabilities {what} in row {row + 2}: {np.round(scores.values[row], 4).tolist()}",
                where=scores.source,
                do="Write the model's full softmax output.",
            )


def _check_one_per_individual(scores: Scores, name: str) -> None:
    """Refuse an individual with two values of a column that belongs to the animal."""
    _, group = np.unique(scores.individual, return_inverse=True)
    order = np.argsort(group, kind="stable")
    same_fish = group[order][1:] == group[order][:-1]
    column = scores.text[name][order]
    clash = np.flatnonzero(same_fish & (column[1:] != column[:-1]))
    if len(clash):
        row = order[clash[0] + 1]
        who, values = scores.individual[row], [str(value) for value in column[clash[0] : clash[0] + 2]]
        raise InputError(
            f"Individual {who} has {name} {values[0]!r} and {values[1]!r} in row {row + 2}",
            where=scores.source,
            do="An individual has one class and one role; correct the rows or exclude it.",
        )
