"""Any changed byte, the manifest's own included, any missing and any extra file is found before loading."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from passage_cv.errors import InputError
from passage_cv.files import canonical_json, sha256_bytes
from passage_cv.gate.manifest import find_altered, read_manifest, require_intact


def flip_bit(path: Path, place: int, bit: int) -> None:
    data = bytearray(path.read_bytes())
    data[place] ^= 1 << bit
    path.write_bytes(bytes(data))


def test_every_flipped_bit_is_found(copied: Path) -> None:
    rng = np.random.default_rng(20310504)
    files = sorted(path for path in copied.rglob("*") if path.is_file())
    chosen = [*files, *rng.choice(np.array(files, dtype=object), 120 - len(files))]
    for path in chosen:
        place, bit = int(rng.integers(path.stat().st_size)), int(rng.integers(8))
        flip_bit(path, place, bit)
        with pytest.raises(InputError):
            require_intact(copied)
        flip_bit(path, place, bit)
    require_intact(copied)


def test_every_seventh_byte_of_the_manifest_counts(copied: Path) -> None:
    path = copied / "manifest.json"
    whole = path.read_bytes()
    for place in range(0, len(whole), 7):
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :])
        with pytest.raises(InputError):
            read_manifest(copied)


def test_a_manifest_written_otherwise_is_refused(copied: Path) -> None:
    path = copied / "manifest.json"
    path.write_text(json.dumps(json.loads(path.read_text())))
    with pytest.raises(InputError, match="not as it was written"):
        read_manifest(copied)


def test_the_id_is_the_hash_of_everything_else(copied: Path) -> None:
    values = json.loads((copied / "manifest.json").read_bytes())
    found = values.pop("package_id")
    assert found == sha256_bytes(canonical_json(values))


def test_missing_extra_and_linked_files_are_named(copied: Path, tmp_path: Path) -> None:
    (copied / "engineer.html").unlink()
    (copied / "reference" / "notes.txt").write_text("x")
    outside = tmp_path / "crop.json"
    shutil.move(copied / "crop.json", outside)
    (copied / "crop.json").symlink_to(outside)
    assert find_altered(copied, read_manifest(copied)) == (
        "engineer.html is missing",
        "reference/notes.txt is not listed",
        "crop.json is a link, not a file",
    )


def test_the_refusal_names_file_hashes_and_what_to_do(copied: Path) -> None:
    flip_bit(copied / "model.onnx", 100, 0)
    with pytest.raises(
        InputError, match=r"model\.onnx does not match its hash: found \w{8}, listed \w{8}"
    ) as refused:
        require_intact(copied)
    assert "keep the package before it in service" in str(refused.value)


def test_a_later_format_is_refused(copied: Path) -> None:
    path = copied / "manifest.json"
    path.write_text(path.read_text().replace('"format": 2', '"format": 3'))
    with pytest.raises(InputError, match="Package has format 3, this program reads 1, 2"):
        read_manifest(copied)


def test_a_path_outside_the_folder_is_refused(copied: Path) -> None:
    path = copied / "manifest.json"
    path.write_text(path.read_text().replace('"crop.json"', '"../crop.json"'))
    with pytest.raises(InputError, match="does not lie below the package folder"):
        read_manifest(copied)


@pytest.mark.parametrize("text", ["", "[]", "{", '{"format": NaN}'])
def test_a_manifest_that_is_none(copied: Path, text: str) -> None:
    (copied / "manifest.json").write_text(text)
    with pytest.raises(InputError):
        read_manifest(copied)


def test_a_folder_without_manifest(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"manifest\.json is missing"):
        read_manifest(tmp_path)
