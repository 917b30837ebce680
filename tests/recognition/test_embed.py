"""No picture is embedded twice, and one bad picture is one result."""

from pathlib import Path

import numpy as np
import pytest

from passage_cv.dataset.storage import open_storage
from passage_cv.errors import InputError
from passage_cv.recognition.crop import CropSettings, Rgb
from passage_cv.recognition.embed import CACHE_FOLDER, FeatureCache, embed_pictures, run_pictures

CROP = CropSettings(size=32)
NAMES = [f"picture-{n}" for n in range(20)]


def read(name: str) -> Rgb:
    if name == "broken":
        raise InputError("damaged JPEG")
    return np.full((8, 8, 3), int(name.rpartition("-")[2]), np.uint8)


def corners(crops: np.ndarray) -> np.ndarray:
    """Stands in for a network: first and last pixel of each crop."""
    return np.stack([crops[:, 0, 0, 0], crops[:, -1, -1, 0]], axis=1).astype(np.float32)


def test_rows_come_in_the_order_of_the_names() -> None:
    ran = run_pictures(NAMES, read, corners, CROP, width=2)
    assert ran.rows[:, 0].tolist() == list(range(20))
    assert ran.problems == ("",) * 20


def test_a_bad_picture_is_one_result() -> None:
    ran = run_pictures(["picture-1", "broken", "picture-2"], read, corners, CROP, width=2)
    assert ran.problems == ("", "damaged JPEG", "")
    assert np.isnan(ran.rows[1]).all()
    assert ran.rows[2].tolist() == [2, 2]
    with pytest.raises(InputError, match="1 pictures cannot be used: broken: damaged JPEG"):
        ran.require_all(["picture-1", "broken", "picture-2"])


def test_mirrored_turns_the_crop_left_to_right() -> None:
    ramp = np.tile(np.arange(32, dtype=np.uint8)[None, :, None], (32, 1, 3))
    plain = run_pictures(["a"], lambda _: ramp, corners, CROP, width=2)
    turned = run_pictures(["a"], lambda _: ramp, corners, CROP, width=2, mirrored=True)
    assert plain.rows.tolist() == [[0, 31]]
    assert turned.rows.tolist() == [[31, 0]]


def test_the_second_time_nothing_is_read(tmp_path: Path) -> None:
    cache = FeatureCache(open_storage(tmp_path), "key")
    seen: list[str] = []

    def counted(name: str) -> Rgb:
        seen.append(name)
        return read(name)

    first = embed_pictures(NAMES, counted, corners, cache=cache, crop=CROP, width=2)
    again = embed_pictures([*NAMES[::-1], "picture-30"], counted, corners, cache=cache, crop=CROP, width=2)
    assert sorted(seen) == sorted([*NAMES, "picture-30"])
    np.testing.assert_array_equal(again[:20], first[::-1])
    assert FeatureCache(open_storage(tmp_path), "other").load() == {}


def test_a_spoilt_shard_is_made_again(tmp_path: Path) -> None:
    cache = FeatureCache(open_storage(tmp_path), "key")
    first = embed_pictures(NAMES, read, corners, cache=cache, crop=CROP, width=2)
    (shard,) = (tmp_path / CACHE_FOLDER / "key").iterdir()
    shard.write_bytes(b"nothing")
    np.testing.assert_array_equal(embed_pictures(NAMES, read, corners, cache=cache, crop=CROP, width=2), first)


def test_a_bad_picture_stops_embedding_and_keeps_nothing(tmp_path: Path) -> None:
    cache = FeatureCache(open_storage(tmp_path), "key")
    with pytest.raises(InputError, match="1 pictures cannot be used"):
        embed_pictures([*NAMES, "broken"], read, corners, cache=cache, crop=CROP, width=2)
    assert cache.load() == {}
