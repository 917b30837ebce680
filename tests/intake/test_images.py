"""One look at a picture file: what is whole is read exactly, what is not is told and never raised."""

import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg
from hypothesis import given, settings
from hypothesis import strategies as st

from passage_cv.errors import InputError
from passage_cv.files import sha256_bytes
from passage_cv.intake.containers import read_container
from passage_cv.intake.exif import CameraSettings, read_exif
from passage_cv.intake.images import (
    MAX_PIXELS,
    PictureTask,
    decode_picture,
    examine_picture,
    reduce_picture,
)
from passage_cv.intake.looks import bits_apart
from tests.batches import jpeg, picture, png


def look(tmp_path: Path, data: bytes, name: str = "a.jpg", workspace: str = ""):  # noqa: ANN201 - a test's shorthand
    (tmp_path / name).write_bytes(data)
    return examine_picture(PictureTask(name, str(tmp_path / name), workspace))


def encoded(kind: str) -> bytes:
    return cv2.imencode(f".{kind}", picture("x")[:, :, ::-1])[1].tobytes()


@pytest.mark.parametrize("kind", ["png", "bmp"])
def test_lossless_pictures_are_read_to_the_last_bit(tmp_path: Path, kind: str) -> None:
    seen = look(tmp_path, encoded(kind), f"a.{kind}")
    assert (seen.problem, seen.kind, seen.width, seen.height) == ("", kind, 48, 32)
    assert np.array_equal(decode_picture(encoded(kind)), picture("x"))


def test_webp_and_jpeg_are_read(tmp_path: Path) -> None:
    assert look(tmp_path, encoded("webp"), "a.webp").kind == "webp"
    seen = look(tmp_path, jpeg("x"))
    assert (seen.kind, seen.width, seen.height, seen.trailing_bytes) == ("jpg", 48, 32, 0)
    assert seen.sha256 == sha256_bytes(jpeg("x"))
    assert np.abs(decode_picture(jpeg("x")).astype(int) - picture("x")).mean() < 3


def test_luminance_alone_gives_the_looks_that_colour_gives(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    soft = cv2.resize(rng.integers(0, 256, (9, 16, 3), dtype=np.uint8), (1920, 1080), interpolation=cv2.INTER_CUBIC)
    noisy = np.clip(soft + rng.normal(0, 12, (1080, 1920, 1)), 0, 255).astype(np.uint8)
    (tmp_path / "copies").mkdir()
    plain = look(tmp_path, simplejpeg.encode_jpeg(noisy, quality=90)).looks
    colour = look(tmp_path, simplejpeg.encode_jpeg(noisy, quality=90), workspace=str(tmp_path / "copies")).looks
    assert abs(plain.brightness - colour.brightness) < 1  # rounding of grey levels
    assert abs(plain.sharpness / colour.sharpness - 1) < 0.05  # a picture is shown below a fifth of the usual
    assert bits_apart(plain.fingerprint, colour.fingerprint) <= 4


@pytest.mark.parametrize("start", [0.3, 0.6, 0.9])
def test_damage_is_told_with_colour_and_without(tmp_path: Path, start: float) -> None:
    data = jpeg("x")
    at = int(len(data) * start)
    (tmp_path / "copies").mkdir()
    spoilt = data[:at] + b"\xff\xd9" + data[at + 2 :]
    assert look(tmp_path, spoilt).problem
    assert look(tmp_path, spoilt, workspace=str(tmp_path / "copies")).problem


@pytest.mark.parametrize("kind", ["jpg", "png", "bmp", "webp"])
@pytest.mark.parametrize("kept", [0.2, 0.5, 0.9, 0.99])
def test_truncated_pictures_are_told(tmp_path: Path, kind: str, kept: float) -> None:
    data = jpeg("x") if kind == "jpg" else encoded(kind)
    assert look(tmp_path, data[: int(len(data) * kept)], f"a.{kind}").problem


@pytest.mark.parametrize("make", [jpeg, png])
def test_bytes_after_the_picture_are_counted(tmp_path: Path, make) -> None:  # noqa: ANN001 - either of two makers
    seen = look(tmp_path, make("x") + b"trailing junk \xff\xd9")
    assert (seen.problem, seen.trailing_bytes) == ("", 16)


def test_a_zeroed_stretch_inside_a_jpeg_is_told(tmp_path: Path) -> None:
    data = bytearray(jpeg("x", width=400, height=300))
    middle = len(data) // 2
    data[middle : middle + 32] = bytes(32)
    assert look(tmp_path, bytes(data)).problem.startswith("damaged JPEG")


def test_a_changed_byte_inside_a_png_is_told(tmp_path: Path) -> None:
    data = bytearray(encoded("png"))
    data[len(data) // 2] ^= 0xFF
    assert look(tmp_path, bytes(data), "a.png").problem


def png_of_size(width: int, height: int) -> bytes:
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


def test_a_decompression_bomb_is_refused_by_its_header(tmp_path: Path) -> None:
    side = int(MAX_PIXELS**0.5) + 1
    assert f"{side} x {side} pixels" in look(tmp_path, png_of_size(side, side), "a.png").problem
    with pytest.raises(InputError, match="0 x 5 pixels"):
        decode_picture(png_of_size(0, 5))


def test_what_is_no_picture_is_told(tmp_path: Path) -> None:
    for data in (b"", b"GIF89a", b"\x00" * 100, b"%PDF-1.7"):
        assert look(tmp_path, data).problem == "not a JPEG, PNG, BMP or WebP picture"
    gone = examine_picture(PictureTask("b", str(tmp_path / "b"), ""))
    assert gone.problem == "did not come with the batch"


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_no_mutation_of_a_picture_raises(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    original = data.draw(st.sampled_from([jpeg("x"), *(encoded(kind) for kind in ("png", "bmp", "webp"))]))
    mutated = bytearray(original[: data.draw(st.integers(0, len(original)))])
    for at, value in data.draw(st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 255)), max_size=8)):
        if mutated:
            mutated[at % len(mutated)] = value
    path = tmp_path_factory.getbasetemp() / "mutated"
    path.write_bytes(bytes(mutated))
    seen = examine_picture(PictureTask("m", str(path)))
    assert seen.problem or seen.width * seen.height > 0


def test_the_container_is_known_by_its_bytes_not_its_name(tmp_path: Path) -> None:
    assert look(tmp_path, png("x"), "a.jpg").kind == "png"


def test_a_reduced_copy_keeps_the_shape_and_the_mean(tmp_path: Path) -> None:
    seen = look(tmp_path, jpeg("x", width=1500, height=1000), workspace=str(tmp_path))
    copy = decode_picture(Path(seen.working).read_bytes())
    assert copy.shape == (427, 640, 3)
    full = decode_picture(jpeg("x", width=1500, height=1000))
    assert np.allclose(copy.mean(axis=(0, 1)), full.mean(axis=(0, 1)), atol=1)
    assert reduce_picture(picture("x")).shape == (32, 48, 3)


def exif_block(order: str, *, orientation: int = 6) -> bytes:
    """A TIFF block with model, orientation, time, offset and serial, laid out by hand after Exif 2.32."""
    mark = "<" if order == "II" else ">"

    def entry(tag: int, kind: int, n: int, value: bytes) -> bytes:
        return struct.pack(mark + "HHI", tag, kind, n) + value.ljust(4, b"\x00")

    def at(offset: int) -> bytes:
        return struct.pack(mark + "I", offset)

    texts = [b"River Cam 2\x00", b"2031:05:11 20:15:30\x00", b"-04:00\x00", b"S-0042\x00"]
    start = 8 + 2 + 3 * 12 + 4
    folder = start
    places = [folder + 2 + 3 * 12 + 4]
    for text in texts[:-1]:
        places.append(places[-1] + len(text))
    first = struct.pack(mark + "H", 3)
    first += entry(0x0110, 2, len(texts[0]), at(places[0]))
    first += entry(0x0112, 3, 1, struct.pack(mark + "H", orientation))
    first += entry(0x8769, 4, 1, at(folder)) + at(0)
    second = struct.pack(mark + "H", 3)
    second += entry(0x9003, 2, len(texts[1]), at(places[1]))
    second += entry(0x9011, 2, len(texts[2]), at(places[2]))
    second += entry(0xA431, 2, len(texts[3]), at(places[3])) + at(0)
    return order.encode() + struct.pack(mark + "HI", 42, 8) + first + second + b"".join(texts)


def with_exif(data: bytes, block: bytes) -> bytes:
    payload = b"Exif\x00\x00" + block
    return data[:2] + b"\xff\xe1" + struct.pack(">H", len(payload) + 2) + payload + data[2:]


@pytest.mark.parametrize("order", ["II", "MM"])
def test_camera_and_time_come_from_exif_in_both_byte_orders(order: str) -> None:
    found = read_exif(with_exif(jpeg("x"), exif_block(order)))
    assert (found.taken_at, found.camera) == ("2031-05-11T20:15:30-04:00", "River Cam 2 S-0042")
    assert found.orientation == 6


@pytest.mark.parametrize("order", ["<", ">"])
def test_firmware_exposure_and_white_balance_come_from_exif(order: str) -> None:
    # tag numbers and types from the Exif 2.32 standard: Software, ExposureTime (a ratio of seconds), WhiteBalance
    name = b"RiverCam 3.2.0\0"
    first = struct.pack(f"{order}H", 2) + struct.pack(f"{order}HHII", 0x0131, 2, len(name), 80)
    first += struct.pack(f"{order}HHII", 0x8769, 4, 1, 38) + bytes(4)
    second = struct.pack(f"{order}H", 2) + struct.pack(f"{order}HHII", 0x829A, 5, 1, 72)
    second += struct.pack(f"{order}HHIHH", 0xA403, 3, 1, 1, 0) + bytes(4)
    head = (b"II" if order == "<" else b"MM") + struct.pack(f"{order}HI", 42, 8)
    block = (head + first + second).ljust(72, b"\0") + struct.pack(f"{order}II", 1, 500) + name
    found = read_exif(with_exif(jpeg("x"), block)).settings
    assert found == CameraSettings("RiverCam 3.2.0", 2.0, "fixed")  # 1/500 s


def test_orientation_is_told_and_not_applied(tmp_path: Path) -> None:
    data = with_exif(jpeg("x"), exif_block("II"))
    assert look(tmp_path, data).orientation == 6
    assert np.array_equal(decode_picture(data), simplejpeg.decode_jpeg(jpeg("x"), colorspace="RGB"))


@given(cut=st.integers(0, 200), order=st.sampled_from(["II", "MM"]))
def test_a_damaged_exif_block_says_less_and_never_raises(cut: int, order: str) -> None:
    read_exif(with_exif(jpeg("x"), exif_block(order)[:cut]))


def test_a_large_embedded_length_does_not_hang() -> None:
    assert read_container(b"\xff\xd8\xff\xe0\xff\xff" + bytes(100)) is None
