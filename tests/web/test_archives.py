"""A zip is judged before its first byte is written."""

from __future__ import annotations

import stat
import zipfile
from pathlib import Path

import pytest

from passage_cv.errors import InputError
from passage_cv.web.archives import LARGEST_RATIO, unpack_or_nothing
from tests.web.conftest import zip_of


def unpack(tmp_path: Path, data: bytes, *, most_bytes: int = 1 << 24, most_files: int = 100) -> list[str]:
    archive = tmp_path / "pack.zip"
    archive.write_bytes(data)
    return unpack_or_nothing(archive, tmp_path / "out", most_bytes=most_bytes, most_files=most_files)


def test_plain_files_come_out(tmp_path: Path) -> None:
    names = unpack(
        tmp_path, zip_of({"sheet.csv": b"image\n", "images/1.jpg": b"jpg", "__MACOSX/x": b"", ".DS_Store": b""})
    )
    assert names == ["sheet.csv", "images/1.jpg"]
    assert (tmp_path / "out/images/1.jpg").read_bytes() == b"jpg"


@pytest.mark.parametrize("name", ["../x", "/x", "a/../../x", "..\\x", "C:\\x", ".ssh/authorized_keys"])
def test_zip_slip_is_refused_whole(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="cannot be kept"):
        unpack(tmp_path, zip_of({"sheet.csv": b"", name: b"out"}))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["pack.zip"]


def test_a_bomb_is_refused_by_its_ratio(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="unpacks to"):
        unpack(tmp_path, zip_of({"bomb.bin": b"\0" * (4 << 20)}))
    assert LARGEST_RATIO * len(zip_of({"bomb.bin": b"\0" * (4 << 20)})) < 4 << 20


def test_many_small_bombs_are_refused_by_their_sum(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="allowed 1000000"):
        unpack(tmp_path, zip_of({f"{n}.bin": b"\0" * 100_000 for n in range(11)}), most_bytes=1_000_000)


def test_too_many_files_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="holds 101 files"):
        unpack(tmp_path, zip_of({f"{n}.txt": b"" for n in range(101)}))


def test_a_size_that_lies_is_found_while_reading(tmp_path: Path) -> None:
    data = zip_of({"a.bin": bytes(range(256)) * 100})
    lying = data.replace((25_600).to_bytes(4, "little"), (16).to_bytes(4, "little"))
    assert lying != data
    with pytest.raises(InputError, match="cannot be read"):
        unpack(tmp_path, lying)
    assert not (tmp_path / "out").exists()


def test_links_are_refused(tmp_path: Path) -> None:
    archive = tmp_path / "pack.zip"
    with zipfile.ZipFile(archive, "w") as packed:
        link = zipfile.ZipInfo("link")
        link.external_attr = (stat.S_IFLNK | 0o777) << 16
        packed.writestr(link, "/etc/passwd")
    with pytest.raises(InputError, match="link or a device"):
        unpack(tmp_path, archive.read_bytes())


def test_two_names_that_differ_in_case_only_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="two files of one name"):
        unpack(tmp_path, zip_of({"a.jpg": b"1", "A.jpg": b"2"}))


@pytest.mark.parametrize(
    "data", [b"", b"no zip", zip_of({"a": b"b" * 1000})[:-30]], ids=["empty", "no zip", "cut off"]
)
def test_damaged_zips_are_refused(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        unpack(tmp_path, data)


def test_flipped_bytes_are_found(tmp_path: Path) -> None:
    data = bytearray(zip_of({"a.bin": bytes(range(256))}))
    data[60] ^= 0xFF
    with pytest.raises(InputError, match="cannot be read"):
        unpack(tmp_path, bytes(data))


def test_a_member_without_a_name_is_refused(tmp_path: Path) -> None:
    archive = tmp_path / "a.zip"
    with zipfile.ZipFile(archive, "w") as packed:
        packed.writestr("a.jpg", b"x" * 10)
    nameless = archive.read_bytes().replace(b"a.jpg", b"\0.jpg")  # a name ends at its first null byte
    archive.write_bytes(nameless)
    with pytest.raises(InputError, match="without a name"):
        unpack_or_nothing(archive, tmp_path / "out", most_bytes=1000, most_files=10)


def test_damaged_packed_bytes_are_refused(tmp_path: Path) -> None:
    archive = tmp_path / "a.zip"
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("a.txt", bytes(range(256)) * 20)
    data = bytearray(archive.read_bytes())
    data[35:60] = b"\xff" * 25
    archive.write_bytes(bytes(data))
    with pytest.raises(InputError, match="Zip cannot be read"):
        unpack_or_nothing(archive, tmp_path / "out", most_bytes=100_000, most_files=10)
