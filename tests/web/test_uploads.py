"""Resumable uploads: what is cut goes on, what is wrong is refused, what was whole at the end is found."""

from __future__ import annotations

import fcntl
import os
from base64 import b64encode
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from passage_cv.errors import InputError
from passage_cv.files import sha256_bytes
from passage_cv.web.app import create_app
from passage_cv.web.paths import below, safe_name
from passage_cv.web.people import Role
from passage_cv.web.tables import Upload
from tests.web.conftest import Browser, Office

PIECES = {"content-type": "application/offset+octet-stream"}
DATA = bytes(range(256)) * 40


@pytest.fixture
def technician(office: Office) -> Browser:
    return office.role(Role.TECHNICIAN)


def announce(browser: Browser, batch: str, name: str = "a.bin", data: bytes = DATA, sha256: str = "") -> str:
    pairs = {"batch": batch, "filename": name, "sha256": sha256 or sha256_bytes(data)}
    metadata = ",".join(f"{key} {b64encode(value.encode()).decode()}" for key, value in pairs.items())
    headers = {"upload-length": str(len(data)), "upload-metadata": metadata}
    answer = browser.call("POST", "/uploads", headers=headers)
    assert answer.status_code == 201, answer.text
    return str(answer.headers["location"])


def patch(browser: Browser, place: str, at: int, data: bytes) -> tuple[int, str]:
    answer = browser.call("PATCH", place, headers={**PIECES, "upload-offset": str(at)}, content=data)
    return answer.status_code, answer.headers.get("upload-offset", "")


def kept(office: Office, batch: str, name: str) -> Path:
    return office.settings.data / "batches" / batch / "received" / name


def test_a_file_in_pieces_arrives_whole(office: Office, technician: Browser) -> None:
    batch = technician.begin()
    place = announce(technician, batch, "images/1.jpg")
    assert patch(technician, place, 0, DATA[:1000]) == (204, "1000")
    assert technician.call("HEAD", place).headers["upload-offset"] == "1000"
    assert patch(technician, place, 1000, DATA[1000:]) == (204, str(len(DATA)))
    assert kept(office, batch, "images/1.jpg").read_bytes() == DATA
    assert technician.get(f"/batches/{batch}/received").json() == {
        "images/1.jpg": {"bytes": len(DATA), "sha256": sha256_bytes(DATA)}
    }


def test_a_resend_from_another_offset_is_told_the_right_one(technician: Browser) -> None:
    place = announce(technician, technician.begin())
    patch(technician, place, 0, DATA[:1000])
    assert patch(technician, place, 0, DATA[:1000]) == (409, "1000")
    assert patch(technician, place, 2000, DATA[2000:]) == (409, "1000")


def test_more_than_was_announced_is_refused_and_nothing_added(technician: Browser) -> None:
    place = announce(technician, technician.begin())
    assert patch(technician, place, 0, DATA + b"x")[0] == 413
    assert int(technician.call("HEAD", place).headers["upload-offset"]) <= len(DATA)


def test_two_writers_at_once_one_waits(office: Office, technician: Browser) -> None:
    place = announce(technician, technician.begin())
    path = office.settings.data / "incoming" / place.rpartition("/")[2]
    handle = os.open(path, os.O_WRONLY)
    fcntl.flock(handle, fcntl.LOCK_EX)
    assert patch(technician, place, 0, DATA)[0] == 423
    os.close(handle)
    assert patch(technician, place, 0, DATA)[0] == 204


def test_wrong_bytes_start_again(office: Office, technician: Browser) -> None:
    batch = technician.begin()
    place = announce(technician, batch, sha256="0" * 64)
    assert patch(technician, place, 0, DATA)[0] == 460
    assert technician.call("HEAD", place).status_code == 404
    assert not kept(office, batch, "a.bin").exists()


def test_an_empty_file_and_creation_with_all_bytes(office: Office, technician: Browser) -> None:
    batch = technician.begin()
    assert technician.send(batch, "empty.txt", b"").headers["upload-offset"] == "0"
    assert technician.send(batch, "whole.bin", DATA).headers["upload-offset"] == str(len(DATA))
    assert kept(office, batch, "empty.txt").read_bytes() == b""
    assert kept(office, batch, "whole.bin").read_bytes() == DATA


def test_a_file_sent_again_replaces_the_first(office: Office, technician: Browser) -> None:
    batch = technician.begin()
    technician.send(batch, "sheet.csv", b"one")
    technician.send(batch, "sheet.csv", b"two")
    assert kept(office, batch, "sheet.csv").read_bytes() == b"two"
    assert list(technician.get(f"/batches/{batch}/received").json()) == ["sheet.csv"]


def test_a_file_whole_when_the_server_stopped_is_found_at_start(office: Office, technician: Browser) -> None:
    batch = technician.begin()
    whole, half = announce(technician, batch, "whole.bin"), announce(technician, batch, "half.bin")
    incoming = office.settings.data / "incoming"
    (incoming / whole.rpartition("/")[2]).write_bytes(DATA)  # as a kill between the last byte and its end leaves it
    (incoming / half.rpartition("/")[2]).write_bytes(DATA[:5000])
    with TestClient(create_app(office.settings, with_workers=False)):
        pass
    assert kept(office, batch, "whole.bin").read_bytes() == DATA
    assert technician.call("HEAD", half).headers["upload-offset"] == "5000"


def test_a_file_moved_but_not_entered_when_the_server_stopped_is_found(office: Office, technician: Browser) -> None:
    batch = technician.begin()
    place = announce(technician, batch, "moved.bin")
    target = kept(office, batch, "moved.bin")
    target.parent.mkdir(parents=True)
    part = office.settings.data / "incoming" / place.rpartition("/")[2]
    part.write_bytes(DATA)
    part.rename(target)
    with TestClient(create_app(office.settings, with_workers=False)):
        pass
    assert list(technician.get(f"/batches/{batch}/received").json()) == ["moved.bin"]


def test_giving_up_forgets_the_part(office: Office, technician: Browser) -> None:
    place = announce(technician, technician.begin())
    assert technician.call("DELETE", place).status_code == 204
    assert list((office.settings.data / "incoming").iterdir()) == []


def test_other_peoples_batches_take_nothing(office: Office, technician: Browser) -> None:
    batch = technician.begin()
    place = announce(technician, batch)
    office.person("Eve", Role.TECHNICIAN)
    eve = office.browser("Eve")
    assert eve.send(batch, "b.bin", DATA).status_code == 404
    assert patch(eve, place, 0, DATA)[0] == 404
    assert eve.call("HEAD", place).status_code == 404
    assert eve.call("DELETE", place).status_code == 404
    for path in ("", "/received", "/findings", "/findings.csv", "/receipt", "/pictures/a.bin", "/columns", "/pairing",
                 "/thumbnails/a.jpg", "/keying", "/keying/compare"):  # fmt: skip
        assert eve.get(f"/batches/{batch}{path}").status_code == 404
    for path in ("/check", "/accept", "/aside", "/take-up", "/decisions", "/facts", "/proposals", "/columns",
                 "/pairing", "/pairing/undo", "/pairing/confirm", "/pairing/anew", "/keying", "/keying/second",
                 "/keying/compare", "/decisions/1/undo"):  # fmt: skip
        assert eve.post(f"/batches/{batch}{path}").status_code == 404
    with office.server.sessions() as db:
        assert db.query(Upload).count() == 1


@pytest.mark.parametrize(
    "name",
    ["", "/etc/passwd", "../x", "a/../../x", "a//b", ".hidden", "a/.git/config", "con.txt", "NUL", "a\\..\\..\\x",
     "x" * 121, "/".join("abcdefghi"), "a\x00b", "a\nb", "C:/x", "a/b ", "dot.", "a|b", "\u202ejpg.exe"],
)  # fmt: skip
def test_names_that_could_leave_the_batch_are_refused(office: Office, technician: Browser, name: str) -> None:
    batch = technician.begin()
    assert technician.send(batch, name, DATA).status_code == 422
    assert not (office.settings.data / "batches" / batch).exists()


def test_a_link_inside_the_batch_is_not_followed(tmp_path: Path) -> None:
    folder = tmp_path / "received"
    folder.mkdir()
    (folder / "out").symlink_to(tmp_path)
    with pytest.raises(InputError, match="leaves the batch"):
        below(folder, "out/x")


def test_names_are_kept_in_one_unicode_form() -> None:
    assert safe_name("re\u0301servoir.jpg") == "r\u00e9servoir.jpg"


def test_size_and_number_are_limited(make_office: object) -> None:
    office: Office = make_office(upload_bytes=20_000, batch_bytes=30_000, batch_files=3)  # type: ignore[operator]
    technician = office.role(Role.TECHNICIAN)
    batch = technician.begin()
    assert technician.send(batch, "large.bin", b"x" * 20_001).status_code == 422
    assert technician.send(batch, "1.bin", b"x" * 16_000).status_code == 201
    assert technician.send(batch, "2.bin", b"x" * 16_000).status_code == 422
    assert technician.send(batch, "2.bin", b"x").status_code == 201
    assert technician.send(batch, "3.bin", b"x").status_code == 201
    assert technician.send(batch, "4.bin", b"x").status_code == 422


@pytest.mark.parametrize("length", ["", "-1", "1e3", "٣", "9" * 20])
def test_lengths_that_are_no_numbers_are_refused(technician: Browser, length: str) -> None:
    headers = {"upload-length": length.encode(), "upload-metadata": b""}
    assert technician.call("POST", "/uploads", headers=headers).status_code == 422


def test_a_file_and_a_folder_of_one_name(technician: Browser) -> None:
    batch = technician.begin()
    assert technician.send(batch, "a", DATA).status_code == 201
    assert technician.send(batch, "a/b", DATA).status_code == 422
    assert list(technician.get(f"/batches/{batch}/received").json()) == ["a"]
