"""Tiny batch folders with invented fish, for tests of intake and dataset."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import cv2
import numpy as np
import simplejpeg

from passage_cv.files import sha256_bytes

FACTS = {
    "trip": "2031-05-11-RKV",
    "eventID": "E1",
    "eventDate": "2031-05-11T20:00:00-04:00",
    "locationID": "QMR-KBW-01",
    "permit": "QMR-31-001",
    "animalCareProtocol": "ACP-0300",
}
ROWS = (
    {"image": "images/1.jpg", "individual": "1", "code": "NSH", "length_mm": "480", "length_type": "TL"},
    {"image": "images/2.jpg", "individual": "1", "code": "NSH", "length_mm": "480", "length_type": "TL"},
    {"image": "images/3.jpg", "individual": "2", "code": "BOW", "length_mm": "510", "length_type": "TL"},
)


def picture(key: str, *, width: int = 48, height: int = 32) -> np.ndarray:
    """Pixels that depend on the key alone: smooth, so that they survive compression."""
    rng = np.random.default_rng(int(sha256_bytes(key.encode())[:8], 16))
    coarse = rng.integers(0, 256, (4, 6, 3), dtype=np.uint8)
    return np.asarray(cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC), dtype=np.uint8)


def jpeg(key: str, *, width: int = 48, height: int = 32) -> bytes:
    return simplejpeg.encode_jpeg(picture(key, width=width, height=height), quality=90)


def png(key: str, *, width: int = 48, height: int = 32) -> bytes:
    return cv2.imencode(".png", picture(key, width=width, height=height))[1].tobytes()


def write_batch(
    folder: Path,
    rows: Sequence[Mapping[str, str]] = ROWS,
    facts: Mapping[str, str] = FACTS,
    *,
    key: str | None = None,
) -> Path:
    """A batch whose pictures depend on ``key`` (the folder's name by default) and their own name."""
    folder.mkdir(parents=True, exist_ok=True)
    headings = list(dict.fromkeys(name for row in rows for name in row))
    lines = [",".join(headings), *(",".join(row.get(name, "") for name in headings) for row in rows)]
    (folder / "sheet.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    toml = "".join(f'{name} = "{value}"\n' for name, value in facts.items())
    (folder / "trip.toml").write_text(toml, encoding="utf-8")
    for row in rows:
        for name in filter(None, row.get("image", "").split(";")):
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes((png if name.endswith(".png") else jpeg)(f"{key or folder.name}/{name}"))
    return folder


def trip_rows(trip: str, n: int, codes: Sequence[str] = ("NSH", "BOW"), views: int = 1) -> list[dict[str, str]]:
    """``n`` fish of one trip, ``views`` pictures each, species in turn; events are the trip's own."""
    return [
        {
            "image": f"images/{i}-{view}.jpg",
            "individual": str(i),
            "code": codes[i % len(codes)],
            "trip": trip,
            "eventID": f"{trip}-1",
        }
        for i in range(n)
        for view in range(views)
    ]
