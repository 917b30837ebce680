"""An open data set from a package registry that nobody here chose: does `quick` reach what others report on it?

Fashion-MNIST (Xiao, Rasul and Vollgraf 2017), 28 x 28 photographs of clothes, Debian package dataset-fashion-mnist.
References of its README table (submitted, not verified by its maintainers): two convolutions 0.916, ResNet-18 0.949.
"""

import gzip
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from passage_cv.config import configs_folder, read_settings
from passage_cv.recognition.backbone import feature_count
from passage_cv.recognition.crop import Rgb
from passage_cv.recognition.embed import Floats32, run_pictures
from passage_cv.recognition.features import exported_backbone
from passage_cv.recognition.heads import Examples
from passage_cv.recognition.model import Embedder
from passage_cv.recognition.selection import choose_head
from passage_cv.recognition.train import TrainSettings

FOLDER = Path("/usr/share/datasets/fashion-mnist")
NEEDED = 0.90  # of the issue that asked for this test; between what linear models and small networks reach there
SIZE = 64  # what 28 pixels can show; the network takes any size


def photographs(name: str) -> np.ndarray:
    """Pictures (n, 28, 28) of an IDX file, whose header has 16 bytes."""
    return np.frombuffer(gzip.decompress((FOLDER / name).read_bytes()), np.uint8, offset=16).reshape(-1, 28, 28)


def labels(name: str) -> np.ndarray:
    """Classes of an IDX file, whose header has 8 bytes."""
    return np.frombuffer(gzip.decompress((FOLDER / name).read_bytes()), np.uint8, offset=8).astype(np.intp)


def read(grey: np.ndarray, name: str) -> Rgb:
    """One photograph as red, green and blue."""
    return np.repeat(grey[int(name)][:, :, None], 3, axis=2)


def features(settings: TrainSettings, grey: np.ndarray) -> Floats32:
    """Features of each photograph by the frozen network."""
    names = [str(number) for number in range(len(grey))]
    embed = Embedder(exported_backbone(settings.backbone, settings.crop.size)).embed
    width = feature_count(settings.backbone.taps)
    return run_pictures(names, partial(read, grey), embed, settings.crop, width=width).require_all(names)


@pytest.mark.slow
@pytest.mark.skipif(
    not FOLDER.is_dir(), reason="Debian package dataset-fashion-mnist is not installed (apt-get install it)"
)
def test_quick_names_photographs_of_clothes_as_well_as_small_networks_do() -> None:
    """Mirrored pictures are left out for time; every photograph is an individual of its own."""
    quick = read_settings(configs_folder() / "train" / "quick.toml", TrainSettings)
    settings = quick.model_copy(update={"crop": quick.crop.model_copy(update={"size": SIZE})})
    grey, label = photographs("train-images-idx3-ubyte.gz"), labels("train-labels-idx1-ubyte.gz")
    unseen, truth = photographs("t10k-images-idx3-ubyte.gz"), labels("t10k-labels-idx1-ubyte.gz")
    assert (len(grey), len(unseen)) == (60_000, 10_000)  # its README
    examples = Examples(features(settings, grey), label, np.arange(len(label)), 10)
    chosen = choose_head(examples, examples.individual, settings.heads, n_folds=2, seed=settings.seed)
    right = chosen.head.logits(features(settings, unseen)).argmax(axis=1) == truth
    assert right.mean() >= NEEDED
