"""The model file says what torch says, and nothing of who built it."""

from pathlib import Path

import numpy as np
import pytest
import torch

from passage_cv.errors import InputError
from passage_cv.recognition.backbone import EfficientNetLite0, feature_count, load_backbone
from passage_cv.recognition.export import PixelsToFeatures, attach_head, export_any, export_backbone
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


def test_the_same_backbone_gives_the_same_bytes(exported: bytes) -> None:
    assert export_backbone(load_backbone(taps=TAPS)[0], SIZE) == exported


def tuned_network(taps: tuple[int, ...]) -> EfficientNetLite0:
    """The registry's network with every weight and statistic moved, as fine-tuning moves them."""
    network, draw = load_backbone(taps=taps)[0], torch.Generator().manual_seed(7)
    with torch.no_grad():
        for one in network.state_dict().values():
            if one.dtype.is_floating_point:
                one.mul_(1 + 0.1 * torch.rand(one.shape, generator=draw))
    return network


@pytest.mark.parametrize(("taps", "size"), [((7,), 97), ((0, 2, 7), 64)])
def test_a_tuned_network_of_any_taps_and_size_equals_torch(taps: tuple[int, ...], size: int) -> None:
    network = tuned_network(taps)
    crops = np.random.default_rng(6).integers(0, 256, (2, size, size, 3), dtype=np.uint8)
    with torch.no_grad():
        features = PixelsToFeatures(network).eval()(torch.from_numpy(crops)).numpy()
    found = Embedder(export_backbone(network, size)).embed(crops)
    np.testing.assert_allclose(found, features, rtol=0, atol=1e-5 * np.abs(features).max())


@pytest.mark.slow
@pytest.mark.parametrize(("taps", "size"), [(TAPS, 224), ((7,), 193)])
def test_what_we_write_computes_the_same_bits_as_what_torch_exports(taps: tuple[int, ...], size: int) -> None:
    network = tuned_network(taps)
    crops = np.random.default_rng(7).integers(0, 256, (3, size, size, 3), dtype=np.uint8)
    ours, torchs = (Embedder(made(network, size)).embed(crops) for made in (export_backbone, export_any))
    np.testing.assert_array_equal(ours, torchs)


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
