"""Pictures through a model file, each alone, on all cores; features are kept so that no picture is embedded twice.

Comes in: names of pictures (their SHA-256) and a way to read them. Goes out: one row per picture, or why there is
none. Each picture runs as a batch of one, which is the gate's own path and, on few cores, as fast as large batches.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from passage_cv.dataset.storage import Storage
from passage_cv.errors import InputError
from passage_cv.files import sha256_bytes
from passage_cv.parallel import map_items, worker_count
from passage_cv.progress import Progress, silent
from passage_cv.recognition.crop import CropSettings, Rgb, crop_image

Floats32 = npt.NDArray[np.float32]
Read = Callable[[str], Rgb]
Run = Callable[[npt.NDArray[np.uint8]], Floats32]

CACHE_FOLDER = "cache/embeddings"


@dataclass(frozen=True, slots=True)
class Ran:
    """One row per picture; rows are NaN, and ``problems`` says why, where a picture could not be used."""

    rows: Floats32
    problems: tuple[str, ...]

    def require_all(self, names: Sequence[str]) -> Floats32:
        """The rows, if every picture has one.

        Raises
        ------
        InputError
            Naming the first pictures that could not be used.
        """
        bad = [f"{name[:12]}: {problem}" for name, problem in zip(names, self.problems, strict=True) if problem]
        if bad:
            raise InputError(
                f"{len(bad)} pictures cannot be used: {'; '.join(bad[:3])}",
                do="Restore them from a copy, or exclude them with the reason.",
            )
        return self.rows


def run_pictures(
    names: Sequence[str],
    read: Read,
    run: Run,
    crop: CropSettings,
    *,
    width: int,
    mirrored: bool = False,
    label: str = "Scoring pictures",
    progress: Progress = silent,
) -> Ran:
    """Read, crop and run each picture.

    Parameters
    ----------
    names
        Pictures, each once or more.
    read
        From a name to a decoded picture; called from several threads.
    run
        From crops (n, size, size, 3) to rows (n, width); called from several threads.
    crop
        See :class:`~passage_cv.recognition.crop.CropSettings`.
    width
        Length of a row.
    mirrored
        Turn each crop left to right first.
    label, progress
        Told after each group of pictures.
    """

    def one(name: str) -> tuple[Floats32 | None, str]:
        try:
            square = crop_image(read(name), crop)
        except InputError as error:
            return None, error.what
        return run(np.ascontiguousarray(square[:, ::-1] if mirrored else square)[None])[0], ""

    with ThreadPoolExecutor(worker_count()) as threads:
        found = map_items(one, names, label=label, progress=progress, executor=threads)
    missing = np.full(width, np.nan, dtype=np.float32)
    rows = [missing if row is None else row for row, _ in found]
    return Ran(np.stack(rows) if rows else np.zeros((0, width), np.float32), tuple(problem for _, problem in found))


@dataclass(frozen=True, slots=True)
class FeatureCache:
    """Features by picture, in Parquet shards below a store's ``cache/``; derived, so it may be deleted at any time.

    ``key`` is a hash of all that decides a feature besides the picture: recipe, source and model file.
    """

    storage: Storage
    key: str

    def load(self) -> dict[str, Floats32]:
        """Every feature kept so far; a shard that cannot be read is passed over and made again."""
        known: dict[str, Floats32] = {}
        folder = f"{CACHE_FOLDER}/{self.key}"
        for name in self.storage.names(folder):
            try:
                table = pq.read_table(pa.BufferReader(self.storage.read(f"{folder}/{name}")))
            except (pa.ArrowException, OSError):
                continue
            vectors = pc.list_flatten(table["features"]).to_numpy().reshape(len(table), -1)
            known.update(zip(map(str, table["image_sha256"].to_pylist()), vectors, strict=True))
        return known

    def add(self, names: Sequence[str], rows: Floats32) -> None:
        """Keep features of more pictures as one shard."""
        vectors = pa.FixedSizeListArray.from_arrays(pa.array(rows.ravel()), rows.shape[1])
        sink = pa.BufferOutputStream()
        pq.write_table(pa.table({"image_sha256": list(names), "features": vectors}), sink, compression="zstd")
        data = sink.getvalue().to_pybytes()
        self.storage.put(f"{CACHE_FOLDER}/{self.key}/{sha256_bytes(data)[:16]}.parquet", data, durable=False)


def embed_pictures(names: Sequence[str], read: Read, run: Run, *, cache: FeatureCache, **options: Any) -> Floats32:  # noqa: ANN401
    """Features of every picture, shape (n, width), from the cache where they are there.

    Options are those of :func:`run_pictures`.

    Raises
    ------
    InputError
        If a picture cannot be used.
    """
    known = cache.load()
    fresh = [name for name in dict.fromkeys(names) if name not in known]
    if fresh:
        rows = run_pictures(fresh, read, run, **options).require_all(fresh)
        cache.add(fresh, rows)
        known.update(zip(fresh, rows, strict=True))
    return np.stack([known[name] for name in names])
