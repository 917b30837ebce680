"""Exposure, sharpness and fingerprints of pictures, and what is said about them."""

from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.intake.check import check_batch
from passage_cv.intake.images import decode_picture
from passage_cv.intake.look_checks import ALIKE_BITS
from passage_cv.intake.looks import FINGERPRINT_BITS, alike_pairs, bits_apart, look_at
from tests.batches import FACTS, picture, trip_rows, write_batch


def scene(key: str) -> np.ndarray:
    """A picture with detail of all sizes, as photographs have."""
    fine = cv2.resize(picture(key + "fine", width=24, height=16), (320, 180), interpolation=cv2.INTER_CUBIC)
    rng = np.random.default_rng(list(key.encode()))
    grain = cv2.resize(rng.integers(0, 256, (45, 80, 3), np.uint8), (320, 180), interpolation=cv2.INTER_CUBIC)
    return cv2.addWeighted(cv2.addWeighted(picture(key, width=320, height=180), 0.5, fine, 0.3, 0), 1, grain, 0.2, 0)


def print_of(rgb: np.ndarray) -> str:
    return look_at(np.ascontiguousarray(rgb)).fingerprint


def test_exposure_of_known_pictures() -> None:
    half = np.zeros((40, 60, 3), dtype=np.uint8)
    half[:, 30:] = 255
    looks = look_at(half)
    assert (looks.brightness, looks.dark_share, looks.bright_share) == pytest.approx((127.5, 0.5, 0.5))


def test_blur_lowers_sharpness() -> None:
    noise = np.random.default_rng(1).integers(0, 256, (90, 160, 3), dtype=np.uint8)
    values = [look_at(cv2.GaussianBlur(noise, (0, 0), sigma)).sharpness for sigma in (0.5, 1, 2, 4)]
    assert values == sorted(values, reverse=True)
    assert look_at(np.full((90, 160, 3), 77, dtype=np.uint8)).sharpness == 0


@pytest.mark.parametrize(
    "change",
    [
        lambda rgb: simplejpeg.decode_jpeg(simplejpeg.encode_jpeg(rgb, quality=70)),
        lambda rgb: cv2.resize(rgb, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA),
        lambda rgb: np.clip(rgb * 0.9 + 15, 0, 255).astype(np.uint8),
    ],
    ids=["compressed", "halved", "lighter"],
)
def test_a_fingerprint_survives_what_cameras_and_programs_do(change) -> None:  # noqa: ANN001 - a picture's change
    for key in "abcdefghij":
        rgb = scene(key)
        assert bits_apart(print_of(rgb), print_of(change(rgb))) <= ALIKE_BITS


def test_different_scenes_differ_in_half_of_the_bits() -> None:
    prints = [print_of(scene(key)) for key in "abcdefghijklmnop"]
    apart = [bits_apart(one, other) for i, one in enumerate(prints) for other in prints[:i]]
    assert min(apart) > 2 * ALIKE_BITS
    assert abs(np.mean(apart) - FINGERPRINT_BITS / 2) < 12


@given(st.lists(st.integers(0, 2**12 - 1), min_size=1, max_size=40), st.integers(0, 6))
def test_pairs_are_those_of_a_plain_loop(numbers: list[int], most: int) -> None:
    prints = [f"{number:064x}" for number in numbers]
    plain = [
        (i, j, bits_apart(prints[i], prints[j]))
        for j in range(len(prints))
        for i in range(j)
        if bits_apart(prints[i], prints[j]) <= most
    ]
    assert sorted(alike_pairs(prints, most)) == sorted(plain)


def test_pairs_are_found_across_blocks() -> None:
    rng = np.random.default_rng(0)
    prints = [rng.bytes(32).hex() for _ in range(600)]
    prints[599] = prints[3]
    assert alike_pairs(prints, 10) == [(3, 599, 0)]


def rewrite(path: Path, rgb: np.ndarray, quality: int = 92) -> None:
    path.write_bytes(simplejpeg.encode_jpeg(np.ascontiguousarray(rgb), quality=quality))


@pytest.fixture
def batch(tmp_path: Path) -> Path:
    rows = [{**row, "setup_id": "S1"} for row in trip_rows("T1", 12)]
    folder = write_batch(tmp_path / "b", rows, {**FACTS, "trip": "T1"})
    for i in range(12):
        rng = np.random.default_rng(i)
        rewrite(
            folder / f"images/{i}-0.jpg", cv2.add(scene(f"fish {i}"), rng.integers(0, 30, (180, 320, 3), np.uint8))
        )
    assert check_batch(folder).findings == ()
    return folder


def test_a_copy_under_another_fish_is_shown(batch: Path) -> None:
    rewrite(batch / "images/7-0.jpg", decode_picture((batch / "images/2-0.jpg").read_bytes()), quality=75)
    (finding,) = check_batch(batch).findings
    assert (finding.kind, finding.severity, finding.image) == ("near-duplicate", "please look", "images/7-0.jpg")
    assert "looks like images/2-0.jpg" in finding.message


def test_a_blurred_picture_is_shown(batch: Path) -> None:
    rgb = decode_picture((batch / "images/5-0.jpg").read_bytes())
    rewrite(batch / "images/5-0.jpg", cv2.GaussianBlur(rgb, (0, 0), 6))
    (finding,) = check_batch(batch).findings
    assert (finding.kind, finding.image) == ("sharpness", "images/5-0.jpg")


@pytest.mark.parametrize(("level", "word"), [(3, "black"), (254, "white")])
def test_a_dark_and_a_glaring_picture_are_shown(batch: Path, level: int, word: str) -> None:
    rng = np.random.default_rng(5)
    rewrite(batch / "images/5-0.jpg", rng.integers(level - 2, level + 2, (180, 320, 3)).astype(np.uint8))
    found = [finding for finding in check_batch(batch).findings if finding.kind == "exposure"]
    assert [finding.image for finding in found] == ["images/5-0.jpg"]
    assert f"is {word} on" in found[0].message
