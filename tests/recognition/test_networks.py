"""Any classification network of torchvision, or the registry's, becomes features and a head, its weights known."""

import hashlib
from pathlib import Path

import pytest
import torch
import torchvision

from passage_cv.config import configs_folder, parse_settings, read_settings
from passage_cv.errors import InputError
from passage_cv.recognition.networks import IMAGENET_DEVIATION, IMAGENET_MEAN, FromHalfRange, build_network
from passage_cv.recognition.tuned_settings import NetworkSettings, TunedSettings

TUNED = read_settings(configs_folder() / "train" / "tuned.toml", TunedSettings)


def named(name: str, weights: str = "random", sha256: str = "") -> NetworkSettings:
    return NetworkSettings(name=name, weights=weights, weights_sha256=sha256, drop_features=0.0)


@pytest.mark.parametrize(
    ("name", "features"),
    [("resnet18", 512), ("mobilenet_v3_small", 1024), ("shufflenet_v2_x0_5", 1024), ("squeezenet1_1", 512)],
)
def test_the_last_layer_makes_way_for_a_head_of_our_classes(name: str, features: int) -> None:
    network, origin = build_network(named(name), 4)
    assert network.head.in_features == features
    assert network.eval()(torch.zeros(1, 3, 64, 64)).shape == (1, 4)
    assert origin.weights == "random"


def test_a_head_that_only_helped_at_first_is_left_out_with_its_weights(tmp_path: Path) -> None:
    path = tmp_path / "googlenet.pth"
    theirs = torchvision.models.googlenet(init_weights=False, aux_logits=True)
    torch.save(theirs.state_dict(), path)
    network, _ = build_network(named("googlenet", str(path)), 4)
    assert network.head.in_features == 1024
    assert network.train()(torch.zeros(2, 3, 64, 64)).shape == (2, 4)
    assert torch.equal(network.features.network.conv1.conv.weight, theirs.conv1.conv.weight)  # type: ignore[union-attr]


@pytest.mark.slow
@pytest.mark.parametrize("name", torchvision.models.list_models(module=torchvision.models))
def test_every_classification_network_of_torchvision_can_be_named(name: str) -> None:
    """Without memory for its weights, where a network can be made so; what comes out is seen in the test above."""
    try:
        with torch.device("meta"):
            network, _ = build_network(named(name), 4)
    except (RuntimeError, NotImplementedError):
        network, _ = build_network(named(name), 4)
    assert network.head.out_features == 4
    assert network.head.in_features > 100


def test_shipped_weights_are_loaded_and_learn() -> None:
    network, origin = build_network(TUNED.network, 4)
    assert origin.sha256 == TUNED.network.weights_sha256
    assert all(one.requires_grad for one in network.parameters())


def test_pixels_arrive_as_torchvision_wants_them() -> None:
    white = FromHalfRange(torch.nn.Identity())(torch.ones(1, 3, 1, 1)).flatten()
    for got, mean, deviation in zip(white.tolist(), IMAGENET_MEAN, IMAGENET_DEVIATION, strict=True):
        assert got == pytest.approx((1.0 - mean) / deviation, rel=1e-6)


def test_weights_from_a_file_carry_its_hash(tmp_path: Path) -> None:
    path = tmp_path / "resnet18.pth"
    theirs = torchvision.models.resnet18()
    torch.save(theirs.state_dict(), path)
    network, origin = build_network(named("resnet18", str(path)), 4)
    assert origin.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert torch.equal(network.features.network.conv1.weight, theirs.conv1.weight)  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        (named("resnet19"), "Network 'resnet19' is not known"),
        (named("resnet18", "absent.pth"), "Weights are missing"),
        (TUNED.network.model_copy(update={"weights_sha256": "0" * 64}), "Weights have hash 579344248a93"),
    ],
)
def test_what_cannot_be_built_is_refused(settings: NetworkSettings, message: str) -> None:
    with pytest.raises(InputError, match=message):
        build_network(settings, 4)


def test_weights_of_another_network_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "other.pth"
    torch.save(torchvision.models.shufflenet_v2_x0_5().state_dict(), path)
    with pytest.raises(InputError, match="Weights are not those of resnet18"):
        build_network(named("resnet18", str(path)), 4)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"name": "resnet50", "weights": "package", "weights_sha256": "0" * 64}, "exist for efficientnet-lite0 only"),
        ({"name": "efficientnet-lite0", "weights": "torchvision", "weights_sha256": ""}, "is not torchvision's"),
        ({"name": "efficientnet-lite0", "weights": "package", "weights_sha256": ""}, "weights_sha256 is needed"),
    ],
)
def test_settings_that_contradict_themselves_are_refused(values: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        parse_settings({**values, "drop_features": 0.0}, NetworkSettings, where="test")
