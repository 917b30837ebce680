"""How alike pictures of the store look to a model: the features under its last layer, one row per picture.

Comes in: a run and names of stored pictures. Goes out: their embeddings. It serves people who look at mistakes; no
action depends on it. Pictures are read at working size, as in training.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from passage_cv.config import parse_settings
from passage_cv.dataset.store import Store
from passage_cv.dataset.working import working_image
from passage_cv.files import canonical_json, read_json, sha256_bytes, sha256_file
from passage_cv.progress import Progress, silent
from passage_cv.recognition.crop import CropSettings
from passage_cv.recognition.embed import FeatureCache, Floats32, run_pictures
from passage_cv.recognition.model import Embedder
from passage_cv.recognition.transforms import recipe_sha256


@dataclass(frozen=True, slots=True)
class Looks:
    """A run's eye on the pictures of a store."""

    store: Store
    embedder: Embedder
    crop: CropSettings
    model_sha256: str

    @classmethod
    def of(cls, run: Path, store: Store) -> Looks:
        """Open the model of a run.

        Raises
        ------
        InputError
            If a file is missing or cannot be read, or the model gives no embedding.
        """
        crop = run / "crop.json"
        return cls(
            store=store,
            embedder=Embedder(run / "model.onnx"),
            crop=parse_settings(read_json(crop), CropSettings, where=str(crop)),
            model_sha256=sha256_file(run / "model.onnx"),
        )

    def embed(self, images: Sequence[str], *, progress: Progress = silent) -> Floats32:
        """Embeddings of shape (n_images, n_features), from the store's cache where they are there.

        A row is NaN where the store has no such picture or it cannot be used.

        Parameters
        ----------
        images
            SHA-256 of stored pictures.
        progress
            Told of pictures done.
        """
        key = sha256_bytes(canonical_json(["likeness", recipe_sha256(self.crop), self.model_sha256]))[:16]
        cache = FeatureCache(self.store.storage, key)
        known = cache.load()
        fresh = [image for image in dict.fromkeys(images) if image not in known]
        rows = self._run(fresh, progress)
        usable = np.flatnonzero(np.isfinite(rows).all(axis=1))
        if len(usable):
            cache.add([fresh[i] for i in usable], rows[usable])
        known.update(zip(fresh, rows, strict=True))
        return np.stack([known[image] for image in images]) if images else rows

    def _run(self, images: Sequence[str], progress: Progress) -> Floats32:
        return run_pictures(
            images,
            partial(working_image, self.store),
            self.embedder.embed,
            self.crop,
            width=self.embedder.width,
            label="Comparing pictures",
            progress=progress,
        ).rows
