"""Features of pictures by a frozen backbone: what heads are fitted on.

Comes in: rows of a version, and settings. Goes out: a row of numbers for each picture, kept in the store so that none
is embedded twice, and the backbone as the ONNX model that made them. Nothing is fitted here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np

from passage_cv.dataset.store import Store
from passage_cv.dataset.working import working_image
from passage_cv.errors import InputError
from passage_cv.files import canonical_json, sha256_bytes
from passage_cv.progress import Progress, silent
from passage_cv.recognition.backbone import feature_count, load_backbone
from passage_cv.recognition.embed import FeatureCache, Floats32, embed_pictures
from passage_cv.recognition.export import export_backbone
from passage_cv.recognition.heads import Examples
from passage_cv.recognition.model import Embedder
from passage_cv.recognition.rows import Rows, RunClasses
from passage_cv.recognition.settings import BackboneSettings, TrainSettings
from passage_cv.recognition.transforms import recipe_sha256


@dataclass(frozen=True, slots=True)
class Features:
    """Features of pictures by the frozen backbone, (n_images, n_features), plain and seen otherwise."""

    plain: Floats32
    extra: tuple[Floats32, ...]
    backbone: bytes


def embed_rows(rows: Rows, store: Store, settings: TrainSettings, *, progress: Progress = silent) -> Features:
    """Features of the rows' working images, from the store's cache where they are there.

    Raises
    ------
    InputError
        If the weights are not those named in the settings, or a picture cannot be used.
    """
    backbone = exported_backbone(settings.backbone, settings.crop.size)
    embedder = Embedder(backbone)
    views = []
    for mirrored in (False, True) if settings.mirrored else (False,):
        recipe = recipe_sha256(settings.crop, mirrored=mirrored)
        key = sha256_bytes(canonical_json(["working", recipe, sha256_bytes(backbone)]))[:16]
        views.append(
            embed_pictures(
                rows.images,
                partial(working_image, store),
                embedder.embed,
                cache=FeatureCache(store.storage, key),
                crop=settings.crop,
                width=feature_count(settings.backbone.taps),
                mirrored=mirrored,
                label="Embedding mirrored pictures" if mirrored else "Embedding pictures",
                progress=progress,
            )
        )
    return Features(views[0], tuple(views[1:]), backbone)


def to_examples(rows: Rows, classes: RunClasses, features: Floats32) -> Examples:
    """Rows with features as numbers to learn from."""
    place = {name: i for i, name in enumerate(classes.classes)}
    label = np.array([place[name] for name in rows.label], dtype=np.intp)
    return Examples(features, label, rows.numbered("individual"), len(classes.classes))


@lru_cache(maxsize=2)
def exported_backbone(settings: BackboneSettings, size: int) -> bytes:
    """The frozen backbone as an ONNX model, made once per process.

    Raises
    ------
    InputError
        If the weights are not those named in the settings.
    """
    network, sha256 = load_backbone(taps=settings.taps)
    if sha256 != settings.weights_sha256:
        raise InputError(
            f"Backbone weights have hash {sha256[:12]}, the settings name {settings.weights_sha256[:12]}",
            where=settings.name,
            do="Install the version the settings were made for, or name this hash.",
        )
    return export_backbone(network, size)
