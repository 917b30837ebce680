"""The camera's facts can be read back, by our reader and byte by byte."""

import struct
from datetime import datetime, timedelta, timezone
from pathlib import Path

import cv2
import numpy as np
import simplejpeg

from passage_cv.demo.exif import with_exif
from passage_cv.intake.exif import read_exif

TAKEN = datetime(2031, 4, 20, 21, 15, 2, tzinfo=timezone(timedelta(hours=-4)))


def _jpeg() -> bytes:
    picture = np.full((16, 24, 3), 90, np.uint8)
    return with_exif(simplejpeg.encode_jpeg(picture), camera="KBW-2-side", taken_at=TAKEN)


def test_intake_reads_time_with_offset_and_camera() -> None:
    facts = read_exif(_jpeg())
    assert facts.taken_at == "2031-04-20T21:15:02-04:00"
    assert facts.camera == "KBW-2-side"


def test_segment_is_well_formed_and_pixels_still_decode(tmp_path: Path) -> None:
    jpeg = _jpeg()
    assert jpeg[:4] == b"\xff\xd8\xff\xe1"
    length = struct.unpack(">H", jpeg[4:6])[0]
    assert jpeg[6:12] == b"Exif\0\0"
    assert jpeg[4 + length : 6 + length] == b"\xff\xe0"  # the JFIF segment that stood first
    (tmp_path / "a.jpg").write_bytes(jpeg)
    assert cv2.imread(str(tmp_path / "a.jpg")).shape == (16, 24, 3)


def test_metadata_say_nothing_of_the_fish() -> None:
    head = _jpeg()[:300]
    assert not any(code in head for code in (b"NSH", b"BOW", b"Channa"))
