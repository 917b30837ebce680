"""One batch of very many pictures and findings through a real server: sent, checked, paired, decided and accepted.

Each of its pages is opened after each of these steps, and each answer to a button is timed.
"""

from __future__ import annotations

import time
import zipfile
from base64 import b64encode
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import httpx

from passage_cv.dataset.store import Store, StoreSettings
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
LONGEST_S = 3600
"""Seconds after which a check or an accept is given up: a slow machine is no fault."""
CODES = ("NSH", "BOW", "AMS", "WPE")
PAGES = ("", "/findings", "/findings?page={last}", "/findings?only=must+resolve", "/columns", "/pairing",
         "/pairing?page={last}", "/pairing?only=doubtful", "/keying", "/pictures/images/IMG_00001.jpg")  # fmt: skip
KEPT = ("", "/findings", "/pairing", "/receipt")
"""Pages of a batch that is in the data set."""
STILL_BUSY = "The batch is being worked on"
WHOLE = ("/received", "/findings.csv")
"""Whole tables to keep: shown, not held to the limit of a page."""


def bring_named_batch(folder: Path, n_pictures: int, *, most_ms: float, tell: Tell) -> int:
    """Send, check and accept a batch whose sheet names its pictures and has nothing to resolve: half of the time."""
    settings = WebSettings(data=folder / "data", batch_files=2 * n_pictures + 10)
    Store.create(settings.store_root, StoreSettings())
    headers, cookie = _somebody(settings)
    packed = write_large_zip(folder / "named.zip", n_pictures, names_pictures=True)
    with serving(settings) as served:
        client = httpx.Client(base_url=served.address, cookies={COOKIE: cookie}, headers=headers, timeout=600)
        batch = str(client.post("/batches", data={"name": "named"}).headers["location"]).rpartition("/")[2]
        visit = Visit(client, served, f"/batches/{batch}", 1, tell)
        send_zip(client, batch, packed, tell)
        visit.wait_for("check", "checked")
        visit.wait_for("accept", "accepted")
        worst = max(visit.open("", "/findings", "/receipt"))
        tell(f"Server: at most {served.most_memory_mb():.0f} MB")
    tell(f"Worst page {worst:.0f} ms, asked for at most {most_ms:.0f} ms")
    return int(worst > most_ms)


def bring_large_batch(folder: Path, n_pictures: int, *, most_ms: float, tell: Tell) -> int:
    """Send, check, pair, correct and accept it; returns 1 where a page took longer than ``most_ms``.

    The sheet names no pictures, so that they are paired by time; every row has a code that is one slip away from
    a known one, so that each gives a finding with a proposal.
    """
    settings = WebSettings(data=folder / "data", batch_files=2 * n_pictures + 10)
    Store.create(settings.store_root, StoreSettings())
    headers, cookie = _somebody(settings)
    packed = write_large_zip(folder / "large.zip", n_pictures)
    tell(f"Zip of {n_pictures:,} pictures: {packed.stat().st_size / 1e6:.0f} MB")
    with serving(settings) as served:
        client = httpx.Client(base_url=served.address, cookies={COOKIE: cookie}, headers=headers, timeout=600)
        batch = str(client.post("/batches", data={"name": "large"}).headers["location"]).rpartition("/")[2]
        visit = Visit(client, served, f"/batches/{batch}", max(1, n_pictures // VIEWS // 50), tell)
        send_zip(client, batch, packed, tell)
        visit.wait_for("check", "checked")
        worst = [*visit.open(*PAGES), *visit.edit_pairing(n_pictures // VIEWS)]
        list(visit.open(*WHOLE))
        visit.wait_for("pairing/confirm", "checked", at=visit.n_edits)
        visit.push("proposals", kind="unknown name")
        worst += visit.open("", "/findings", "/findings?page={last}")
        visit.wait_for("check", "checked")
        worst += visit.open("", "/findings", "/findings?page={last}")
        visit.wait_for("accept", "accepted")
        worst += visit.open(*KEPT)
        tell(f"Server: at most {served.most_memory_mb():.0f} MB")
    tell(f"Worst page {max(worst):.0f} ms, asked for at most {most_ms:.0f} ms")
    return int(max(worst) > most_ms)


@dataclass
class Visit:
    """One person at one batch: pages are opened and buttons pushed, and how long each took is told."""

    client: httpx.Client
    served: Served
    batch: str
    last: int
    tell: Tell
    n_edits: int = 0

    def open(self, *places: str) -> Iterator[float]:
        """Milliseconds until each page begins to come, the slowest of a few times after the first."""
        for place in places:
            path = f"{self.batch}{place.format(last=self.last)}"
            first, *found = [self._first_byte(path) for _ in range(TIMES)]
            began = self.served.cpu_s()
            self._first_byte(path)
            spent = 1000 * (self.served.cpu_s() - began)
            self.tell(
                f"{place or '/':40} first {first:6.0f} ms, then at most {max(found):6.0f} ms; {spent:5.0f} ms of CPU"
            )
            yield max(found)

    def edit_pairing(self, n_fish: int) -> Iterator[float]:
        """Shift half of a pairing down and take that back; join a series and split it again."""
        half = n_fish // 2
        yield self._edit(edit="down", series=half)
        yield self.push("pairing/undo", at=self.n_edits, page=1)
        self.n_edits -= 1
        yield self._edit(edit="join", series=half)
        yield self._edit(edit="split", series=half - 1, picture=VIEWS)
        yield self._edit(edit="assign", series=half, row=half + 2)

    def push(self, button: str, **given: object) -> float:
        """Milliseconds until a button's answer."""
        start = time.perf_counter()
        values = {key: str(value) for key, value in given.items()}
        answer = self.client.post(f"{self.batch}/{button}", data=values)
        while answer.status_code == 422 and STILL_BUSY in answer.text:  # a check clears its folder after its outcome
            assert time.perf_counter() - start < 30
            time.sleep(0.2)
            answer = self.client.post(f"{self.batch}/{button}", data=values)
        assert answer.status_code in {200, 303}, (button, answer.status_code, answer.text[:2000])
        spent = 1000 * (time.perf_counter() - start)
        self.tell(f"{button + ' ' + str(given.get('edit', '')):40} {spent:6.0f} ms")
        return spent

    def wait_for(self, button: str, state: str, **given: object) -> None:
        """Start work and wait for its end; what is told is its time and the memory of its own processes."""
        start, most = time.monotonic(), 0.0
        self.push(button, **given)
        while (now := self.client.get(f"/api{self.batch}").json())["state"].endswith("ing"):
            assert time.monotonic() - start < LONGEST_S
            most = max(most, self.served.work_memory_mb())
            time.sleep(0.5)
        assert now["state"] == state, now
        self.tell(f"{button}: {time.monotonic() - start:.0f} s, at most {most:.0f} MB: {now['summary']}")

    def _edit(self, **given: object) -> float:
        spent = self.push("pairing", at=self.n_edits, page=1, **given)
        self.n_edits += 1
        return spent

    def _first_byte(self, path: str) -> float:
        start = time.perf_counter()
        with self.client.stream("GET", path) as answer:
            assert answer.status_code == 200, (path, answer.status_code)
            next(answer.iter_raw(), b"")
            return 1000 * (time.perf_counter() - start)


def write_large_zip(path: Path, n_pictures: int, *, names_pictures: bool = False) -> Path:
    """Two pictures a fish, two seconds apart, a fish a minute.

    A line a fish with a code that is on no list; with ``names_pictures`` a line a picture, and the code is right.
    """
    n_lines, slip = (n_pictures, "") if names_pictures else (n_pictures // VIEWS, "X")
    fish = [i // VIEWS if names_pictures else i for i in range(n_lines)]
    rows = [f"{i + 1},{CODES[i % len(CODES)]}{slip},48{i % 10},TL" for i in fish]
    if names_pictures:
        rows = [f"{row},images/IMG_{i + 1:05d}.jpg" for i, row in enumerate(rows)]
    heads = "individual,code,length_mm,length_type" + (",image" if names_pictures else "")
    sheet = heads + "\n" + "\n".join(rows) + "\n"
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


def send_zip(client: httpx.Client, batch: str, packed: Path, tell: Tell) -> None:
    """Send a zip in one piece."""
    given = {"batch": batch, "filename": "large.zip"}
    pairs = ",".join(f"{key} {b64encode(value.encode()).decode()}" for key, value in given.items())
    headers = {"upload-length": str(packed.stat().st_size), "upload-metadata": pairs,
               "content-type": "application/offset+octet-stream"}  # fmt: skip
    start = time.monotonic()
    with packed.open("rb") as stream:
        client.post("/uploads", headers=headers, content=stream).raise_for_status()
    tell(f"Sent in {time.monotonic() - start:.1f} s")
