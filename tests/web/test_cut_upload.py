"""200 MB over a line that is cut twenty times, half of them by killing the server: it arrives once and whole."""

from __future__ import annotations

import os
from base64 import b64encode
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import numpy as np
import pytest

from passage_cv.files import sha256_bytes, sha256_file
from passage_cv.web.ask import COOKIE
from passage_cv.web.people import Role
from passage_cv.web.settings import WebSettings
from tests.web.browser import Served, serving
from tests.web.conftest import Office

N_BYTES = 200_000_112
CUTS = 20
PIECE = 1 << 18


class LineCut(Exception):
    """What the test does to the line."""


def pieces(data: bytes, start: int, until: int, served: Served, *, kill: bool) -> Iterator[bytes]:
    """The bytes from ``start``, broken off at ``until``."""
    for at in range(start, until, PIECE):
        yield data[at : min(at + PIECE, until)]
    if until < len(data):
        if kill:
            served.kill()
        raise LineCut


@pytest.mark.slow
def test_a_large_file_cut_twenty_times_arrives_once_and_whole(
    tmp_path: Path, make_office: Callable[..., Office]
) -> None:
    data = os.urandom(N_BYTES)
    office = make_office()
    browser = office.role(Role.TECHNICIAN)
    batch = browser.begin()
    stops = sorted(np.random.default_rng(5).choice(N_BYTES - 2, CUTS, replace=False) + 1)
    with serving(WebSettings(data=tmp_path / "data")) as served:
        headers = {"x-form-mark": browser.mark}
        client = httpx.Client(base_url=served.address, cookies={COOKIE: browser.secret}, headers=headers, timeout=60)
        given = {"batch": batch, "filename": "large.bin", "sha256": sha256_bytes(data)}
        metadata = ",".join(f"{key} {b64encode(value.encode()).decode()}" for key, value in given.items())
        begun = client.post("/uploads", headers={"upload-length": str(N_BYTES), "upload-metadata": metadata})
        place = begun.headers["location"]
        for n, stop in enumerate([*map(int, stops), N_BYTES]):
            offset = int(client.head(place).headers["upload-offset"])
            assert offset <= stop
            patch = {"upload-offset": str(offset), "content-type": "application/offset+octet-stream"}
            try:
                client.patch(place, headers=patch, content=pieces(data, offset, stop, served, kill=n % 2 == 1))
            except (LineCut, httpx.TransportError):
                client.close()
                client = httpx.Client(
                    base_url=served.address, cookies={COOKIE: browser.secret}, headers=headers, timeout=60
                )
                if n % 2 == 1:
                    served.start()
        received = client.get(f"/batches/{batch}/received").json()
    assert received == {"large.bin": {"bytes": N_BYTES, "sha256": given["sha256"]}}
    folder = office.settings.data / "batches" / batch / "received"
    assert [path.name for path in folder.iterdir()] == ["large.bin"]
    assert sha256_file(folder / "large.bin") == given["sha256"]
    assert list((office.settings.data / "incoming").iterdir()) == []
