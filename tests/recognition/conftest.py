"""One tiny store and one run for all tests of recognition: coloured pictures instead of fish."""

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest

from passage_cv.config import configs_folder, read_settings
from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import Version, open_version
from passage_cv.intake.check import check_batch
from passage_cv.recognition.crop import CropSettings
from passage_cv.recognition.train import TrainSettings, TrainSummary, train_model
from passage_cv.recognition.tuned_settings import NetworkSettings, TunedSettings
from tests.batches import FACTS, write_batch

COLOURS = {"NSH": (40, 40, 200), "BOW": (40, 200, 40), "AMS": (200, 40, 40)}
"""Blue, green, red, as cv2 has them."""
SIZE = 64
SMALL = 32


@dataclass(frozen=True)
class World:
    """A store with one version, and a run trained on it."""

    store: Store
    version: Version
    run: Path
    summary: TrainSummary


def small_settings(**changes: object) -> TrainSettings:
    """The shipped quick settings at a small size."""
    quick = read_settings(configs_folder() / "train" / "quick.toml", TrainSettings)
    return quick.model_copy(update={"crop": CropSettings(size=SIZE), **changes})


def tuned_settings(**schedule: object) -> TunedSettings:
    """The shipped tuned settings at a tiny size: a small network of torchvision with random weights, 2 epochs."""
    tuned = read_settings(configs_folder() / "train" / "tuned.toml", TunedSettings)
    wanted = {"epochs": 2, "judged_every": 1, "warmup_epochs": 0.5, "batch_size": 8, **schedule}
    network = NetworkSettings(name="mobilenet_v3_small", weights="random", weights_sha256="", drop_features=0.2)
    return tuned.model_copy(
        update={
            "folds": 2,
            "network": network,
            "crop": CropSettings(size=SMALL),
            "schedule": tuned.schedule.model_copy(update=wanted),
        }
    )


def paint(path: Path, code: str, seed: int) -> None:
    """A picture of the class's colour with noise of its own."""
    noise = np.random.default_rng(seed).integers(-40, 40, (40, 60, 3))
    path.parent.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(path), np.clip(np.array(COLOURS[code]) + noise, 0, 255).astype(np.uint8))


def make_store(folder: Path, *, per_class: int = 10, trips: int = 1) -> Store:
    """On each trip individuals of three classes with one or two pictures each, drawn by individual."""
    store = Store.create(folder / "store", StoreSettings(unit="individual", seed=1))
    for trip in range(trips):
        _accept_trip(folder / ("batch" if not trip else f"batch-{trip}"), store, per_class, trip)
    return store


def _accept_trip(folder: Path, store: Store, per_class: int, trip: int) -> None:
    codes = [code for code in COLOURS for _ in range(per_class)]
    rows = [
        {"image": f"images/{i}-{view}.png", "individual": str(i), "code": code}
        for i, code in enumerate(codes)
        for view in range(1 + i % 2)
    ]
    batch = write_batch(folder, rows, {**FACTS, "trip": f"2031-05-{11 + trip}-RKV", "eventID": f"E{1 + trip}"})
    for number, row in enumerate(rows):
        paint(batch / row["image"], row["code"], number + 1000 * trip)
    accept_batch(check_batch(batch), store, author="TBO")


@pytest.fixture(scope="session")
def world(tmp_path_factory: pytest.TempPathFactory) -> World:
    folder = tmp_path_factory.mktemp("recognition")
    store = make_store(folder)
    version = open_version(store)
    summary = train_model(small_settings(), store, version, folder / "run")
    return World(store, version, folder / "run", summary)
