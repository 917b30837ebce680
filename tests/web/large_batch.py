"""One batch of very many pictures and findings through a real server, each of its pages opened."""

from __future__ import annotations

import time
import zipfile
from base64 import b64encode
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import httpx

from passage_cv.demo.exif import with_exif
from passage_cv.web import accounts
from passage_cv.web.ask import COOKIE
from passage_cv.web.database import open_database
from passage_cv.web.people import Role
from passage_cv.web.settings import WebSettings
from tests.batches import FACTS, jpeg
from tests.web.browser import Served, serving
from tests.web.large import PASSWORD, SECRET
from tests.web.night import START

Tell = Callable[[str], object]
VIEWS = 2
TIMES = 5
LONGEST_S = 900
PLACES = ("", "/findings", "/findings?page={last}", "/findings?only=must+resolve", "/columns", "/pairing",
          "/pairing?page={last}", "/pairing?only=doubtful", "/keying", "/received", "/findings.csv",
          "/pictures/images/IMG_00001.jpg")  # fmt: skip
WHOLE = ("/received", "/findings.csv")
"""Whole tables to keep: shown, not held to the limit of a page."""


def bring_large_batch(folder: Path, n_pictures: int, *, most_ms: float, tell: Tell) -> int:
    """Send, check and open it; returns 1 where a page took longer than ``most_ms``.

    The sheet names no pictures, so that they are paired by time; every row has a code that is on no list, so
    that each gives a finding.
    """
    settings = WebSettings(data=folder / "data", batch_files=2 * n_pictures + 10)
    headers, cookie = _somebody(settings)
    packed = write_large_zip(folder / "large.zip", n_pictures)
    tell(f"Zip of {n_pictures:,} pictures: {packed.stat().st_size / 1e6:.0f} MB")
    with serving(settings) as served:
        client = httpx.Client(base_url=served.address, cookies={COOKIE: cookie}, headers=headers, timeout=600)
        batch = str(client.post("/batches", data={"name": "large"}).headers["location"]).rpartition("/")[2]
        _send(client, batch, packed, tell)
        _check(client, served, batch, tell)
        last = -(-n_pictures // VIEWS // 40)
        worst = max(_open_pages(client, served, batch, last, tell))
        tell(f"Server: at most {served.most_memory_mb():.0f} MB")
    tell(f"Worst page {worst:.0f} ms, asked for at most {most_ms:.0f} ms")
    return int(worst > most_ms)


def write_large_zip(path: Path, n_pictures: int) -> Path:
    """Two pictures a fish, two seconds apart, a fish a minute; a line a fish with a code that is on no list."""
    rows = [f"{i + 1},N{i % 1000:03d}X,48{i % 10},TL" for i in range(n_pictures // VIEWS)]
    sheet = "individual,code,length_mm,length_type\n" + "\n".join(rows) + "\n"
    facts = {**FACTS, "trip": "2031-05-11-RKV"}
    pixels = [jpeg(f"large/{i}") for i in range(97)]
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as packed:
        packed.writestr("sheet.csv", sheet)
        packed.writestr("trip.toml", "".join(f'{name} = "{value}"\n' for name, value in facts.items()))
        for i in range(n_pictures):
            at = START + timedelta(seconds=60 * (i // VIEWS) + 2 * (i % VIEWS))
            data = with_exif(pixels[i % len(pixels)], camera="Pool camera 1", taken_at=at)
            packed.writestr(f"images/IMG_{i + 1:05d}.jpg", data)
    return path


def _somebody(settings: WebSettings) -> tuple[dict[str, str], str]:
    sessions = open_database(settings)
    with sessions.begin() as db:
        invitation = accounts.invite(db, "Ada", list(Role))
    with sessions.begin() as db:
        cookie = accounts.begin_visit(db, accounts.join(db, invitation, "Ada", PASSWORD))
    (settings.data / "secret").write_text(SECRET)
    return {"x-form-mark": accounts.form_mark(SECRET, cookie), "tus-resumable": "1.0.0"}, cookie


def _send(client: httpx.Client, batch: str, packed: Path, tell: Tell) -> None:
    given = {"batch": batch, "filename": "large.zip"}
    pairs = ",".join(f"{key} {b64encode(value.encode()).decode()}" for key, value in given.items())
    headers = {"upload-length": str(packed.stat().st_size), "upload-metadata": pairs,
               "content-type": "application/offset+octet-stream"}  # fmt: skip
    start = time.monotonic()
    with packed.open("rb") as stream:
        client.post("/uploads", headers=headers, content=stream).raise_for_status()
    tell(f"Sent in {time.monotonic() - start:.1f} s")


def _check(client: httpx.Client, served: Served, batch: str, tell: Tell) -> None:
    """Ask for a check and wait; what is told is its time and the memory of its own process."""
    start, most = time.monotonic(), 0.0
    assert client.post(f"/batches/{batch}/check").status_code == 303
    while (now := client.get(f"/api/batches/{batch}").json())["state"] == "checking":
        assert time.monotonic() - start < LONGEST_S
        most = max(most, served.work_memory_mb())
        time.sleep(0.5)
    assert now["state"] == "checked", now
    tell(f"Checked in {time.monotonic() - start:.0f} s, at most {most:.0f} MB: {now['summary']}")


def _open_pages(client: httpx.Client, served: Served, batch: str, last: int, tell: Tell) -> Iterator[float]:
    """Milliseconds of each page, the slowest of a few times."""
    for place in PLACES:
        path = f"/batches/{batch}{place.format(last=last)}"
        found, began = [], served.cpu_s()
        for _ in range(TIMES):
            start = time.perf_counter()
            with client.stream("GET", path) as answer:
                assert answer.status_code == 200, (path, answer.status_code)
                next(answer.iter_raw(), b"")
                found.append(1000 * (time.perf_counter() - start))
        spent = 1000 * (served.cpu_s() - began) / TIMES
        tell(f"{place or '/':40} {max(found):7.0f} ms   {spent:7.1f} ms of CPU")
        if place not in WHOLE:
            yield max(found)
