"""Spoil picture files the way cards, cables and people do, and write down what was done.

Knows nothing of the checks that should find the faults. Works on any batch folder whose sheet has a column
``image``; used by ``scripts/detectors``.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np


@dataclass(frozen=True, slots=True)
class Spoilt:
    """What was done to which images."""

    kind: str
    images: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Folder:
    """A batch folder being spoilt: its images with the value of the column that names the fish."""

    root: Path
    fish: dict[str, str]
    rng: np.random.Generator

    def pick(self) -> str:
        """Draw an image."""
        return str(self.rng.choice(sorted(self.fish)))

    def pick_two_fish(self) -> tuple[str, str]:
        """Draw two images of different fish."""
        one = self.pick()
        other = str(self.rng.choice(sorted(name for name, fish in self.fish.items() if fish != self.fish[one])))
        return one, other

    def replace(self, image: str, data: bytes) -> None:
        """Put other bytes under a name; the file may be a link to one that must stay."""
        (self.root / image).unlink()
        (self.root / image).write_bytes(data)

    def read(self, image: str) -> bytes:
        """The bytes of an image."""
        return (self.root / image).read_bytes()


def open_folder(root: Path, fish_column: str, rng: np.random.Generator) -> Folder:
    """Read which images a batch folder's only CSV names."""
    (sheet,) = root.glob("*.csv")
    with sheet.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    return Folder(root, {image: row[fish_column] for row in rows for image in row["image"].split(";") if image}, rng)


def _truncate(folder: Folder) -> tuple[str, ...]:
    image = folder.pick()
    data = folder.read(image)
    folder.replace(image, data[: int(len(data) * folder.rng.uniform(0.2, 0.95))])
    return (image,)


def _zero_stretch(folder: Folder) -> tuple[str, ...]:
    """A block of a card that was never written: 512 bytes of zeros in the middle."""
    image = folder.pick()
    data = bytearray(folder.read(image))
    size = min(512, len(data) // 4)
    at = int(folder.rng.integers(len(data) // 3, len(data) - size - 16))
    data[at : at + size] = bytes(size)
    folder.replace(image, bytes(data))
    return (image,)


def _empty(folder: Folder) -> tuple[str, ...]:
    image = folder.pick()
    folder.replace(image, b"")
    return (image,)


def _not_a_picture(folder: Folder) -> tuple[str, ...]:
    image = folder.pick()
    folder.replace(image, b"%PDF-1.7 a field sheet that was scanned" * 40)
    return (image,)


def _missing(folder: Folder) -> tuple[str, ...]:
    image = folder.pick()
    (folder.root / image).unlink()
    return (image,)


def _stray(folder: Folder) -> tuple[str, ...]:
    image = folder.pick()
    path = Path(image)
    name = path.with_name(f"copy-of-{path.name}").as_posix()
    (folder.root / name).write_bytes(folder.read(image) + b"\x00")
    return (name,)


def _trailing(folder: Folder) -> tuple[str, ...]:
    image = folder.pick()
    folder.replace(image, folder.read(image) + folder.rng.bytes(200))
    return (image,)


def _same_bytes(folder: Folder) -> tuple[str, ...]:
    one, other = folder.pick_two_fish()
    folder.replace(other, folder.read(one))
    return one, other


def _encoded_again(folder: Folder) -> tuple[str, ...]:
    """One picture saved again, somewhat smaller, under another fish."""
    one, other = folder.pick_two_fish()
    rgb = cv2.imdecode(np.frombuffer(folder.read(one), np.uint8), cv2.IMREAD_COLOR)
    rgb = cv2.resize(rgb, None, fx=0.8, fy=0.8, interpolation=cv2.INTER_AREA)
    kept = cv2.imencode(Path(other).suffix, rgb, [cv2.IMWRITE_JPEG_QUALITY, 85])[1]
    folder.replace(other, kept.tobytes())
    return one, other


def _wrong_ending(folder: Folder) -> tuple[str, ...]:
    image = folder.pick()
    rgb = cv2.imdecode(np.frombuffer(folder.read(image), np.uint8), cv2.IMREAD_COLOR)
    other = ".png" if Path(image).suffix.lower() in {".jpg", ".jpeg"} else ".jpg"
    folder.replace(image, cv2.imencode(other, rgb)[1].tobytes())
    return (image,)


def _blurred(folder: Folder) -> tuple[str, ...]:
    image = folder.pick()
    rgb = cv2.imdecode(np.frombuffer(folder.read(image), np.uint8), cv2.IMREAD_COLOR)
    soft = cv2.GaussianBlur(rgb, (0, 0), max(rgb.shape) / 60)
    folder.replace(image, _encode_like(folder.read(image), image, soft))
    return (image,)


def _dark(folder: Folder) -> tuple[str, ...]:
    """The lamp failed: nearly nothing but noise."""
    image = folder.pick()
    rgb = cv2.imdecode(np.frombuffer(folder.read(image), np.uint8), cv2.IMREAD_COLOR)
    dim = (rgb // 60 + folder.rng.integers(0, 3, rgb.shape)).astype(np.uint8)
    folder.replace(image, _encode_like(folder.read(image), image, dim))
    return (image,)


def _encode_like(original: bytes, image: str, pixels: np.ndarray) -> bytes:
    """Other pixels under the camera's own header: its Exif segment is kept."""
    data = cv2.imencode(Path(image).suffix, pixels)[1].tobytes()
    at = original.find(b"\xff\xe1", 0, 64)
    if data[:2] != b"\xff\xd8" or at < 0:
        return data
    length = int.from_bytes(original[at + 2 : at + 4], "big")
    return data[:2] + original[at : at + 2 + length] + data[2:]


KINDS: dict[str, Callable[[Folder], tuple[str, ...]]] = {
    "picture truncated": _truncate,
    "512 bytes of zeros inside": _zero_stretch,
    "empty file": _empty,
    "not a picture": _not_a_picture,
    "picture missing": _missing,
    "picture without row": _stray,
    "bytes after the picture": _trailing,
    "same bytes under two fish": _same_bytes,
    "saved again under another fish": _encoded_again,
    "another type than its ending": _wrong_ending,
    "blurred": _blurred,
    "lamp off": _dark,
}


def plant(folder: Folder, kind: str) -> Spoilt:
    """Spoil one picture, or a pair."""
    return Spoilt(kind, KINDS[kind](folder))
