"""The model file says what torch says, and nothing of who built it."""

from pathlib import Path

import numpy as np
import pytest
import torch

from passage_cv.errors import InputError
from passage_cv.recognition.backbone import feature_count, load_backbone
from passage_cv.recognition.export import PixelsToFeatures, attach_head, export_backbone
from passage_cv.recognition.features import exported_backbone
from passage_cv.recognition.model import Embedder, GateModel
from tests.recognition.conftest import SIZE, small_settings

TAPS = (3, 4, 5, 6)
CROPS = np.random.default_rng(5).integers(0, 256, (5, SIZE, SIZE, 3), dtype=np.uint8)


@pytest.fixture(scope="module")
def exported() -> bytes:
    settings = small_settings().backbone
    assert settings.taps == TAPS
    return exported_backbone(settings, SIZE)


def test_features_and_logits_equal_torch(exported: bytes) -> None:
    rng = np.random.default_rng(1)
    weights, bias = rng.normal(0, 0.05, (4, feature_count(TAPS))), rng.normal(0, 1, 4)
    model = PixelsToFeatures(load_backbone(taps=TAPS)[0]).eval()
    with torch.no_grad():
        features = model(torch.from_numpy(CROPS)).numpy()
    expected = features.astype(np.float64) @ weights.T + bias
    found = GateModel(attach_head(exported, weights, bias)).logits(CROPS)
    assert found.dtype == np.float32
    np.testing.assert_allclose(Embedder(exported).embed(CROPS), features, rtol=0, atol=1e-4)
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-4)  # tolerance: style 6, ONNX against torch


def test_any_number_of_crops_gives_the_same_rows(exported: bytes) -> None:
    embedder = Embedder(exported)
    many = embedder.embed(np.concatenate([CROPS] * 8))
    assert many.shape == (40, feature_count(TAPS))
    np.testing.assert_allclose(many[:5], np.concatenate([embedder.embed(one[None]) for one in CROPS]), atol=1e-4)
    assert embedder.embed(CROPS[:0]).shape == (0, feature_count(TAPS))


def test_nothing_of_the_builder_is_in_the_file(exported: bytes) -> None:
    for word in (b"site-packages", b"passage_cv", b"pkg.torch", b"/home", b"stack_trace", b".py"):
        assert word not in exported


@pytest.mark.slow
def test_the_same_backbone_gives_the_same_bytes(exported: bytes) -> None:
    assert export_backbone(load_backbone(taps=TAPS)[0], SIZE) == exported


@pytest.mark.parametrize("bad", [CROPS.astype(np.float32), CROPS[:, :32], CROPS[0]])
def test_crops_of_another_shape_or_type_are_refused(exported: bytes, bad: np.ndarray) -> None:
    with pytest.raises(InputError, match=r"Crops have shape .* needed 8-bit"):
        Embedder(exported).embed(bad)


def test_a_broken_or_other_file_is_refused(exported: bytes, tmp_path: Path) -> None:
    path = tmp_path / "model.onnx"
    with pytest.raises(InputError, match=r"Model file is missing .*model\.onnx"):
        GateModel(path)
    path.write_bytes(exported[:1000])
    with pytest.raises(InputError, match=r"Model file cannot be loaded: .*model\.onnx"):
        GateModel(path)
    path.write_bytes(exported)
    with pytest.raises(InputError, match="Model gives embedding, needed logits"):
        GateModel(path)
