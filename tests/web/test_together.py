"""Eight technicians send their batches at once while two others accept theirs: nothing lost, nothing mixed."""

from __future__ import annotations

import time
from base64 import b64encode
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest

from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.verify import verify_store
from passage_cv.dataset.versions import list_versions, open_version
from passage_cv.files import sha256_bytes
from passage_cv.web.ask import COOKIE
from passage_cv.web.people import Role
from passage_cv.web.settings import WebSettings
from tests.batches import trip_rows, write_batch
from tests.web.browser import serving
from tests.web.conftest import Office

pytestmark = pytest.mark.slow
N_SENDERS, N_ACCEPTERS, N_FISH = 8, 2, 20
PIECE = 600
LONGEST_S = 300


class Script:
    """One person's connection to a real server."""

    def __init__(self, address: str, office: Office, name: str) -> None:
        browser = office.browser(office.person(name, Role.TECHNICIAN))
        headers = {"x-form-mark": browser.mark, "tus-resumable": "1.0.0"}
        self.client = httpx.Client(base_url=address, cookies={COOKIE: browser.secret}, headers=headers, timeout=120)

    def begin(self, name: str) -> str:
        answer = self.client.post("/batches", data={"name": name})
        assert answer.status_code == 303, answer.text
        return str(answer.headers["location"]).rpartition("/")[2]

    def send(self, batch: str, folder: Path) -> dict[str, str]:
        """Every file in small pieces; returns what each should be."""
        sent = {}
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                name, data = path.relative_to(folder).as_posix(), path.read_bytes()
                sent[name] = sha256_bytes(data)
                self._send(batch, name, data)
        return sent

    def _send(self, batch: str, name: str, data: bytes) -> None:
        given = {"batch": batch, "filename": name, "sha256": sha256_bytes(data)}
        pairs = ",".join(f"{key} {b64encode(value.encode()).decode()}" for key, value in given.items())
        headers = {"upload-length": str(len(data)), "upload-metadata": pairs}
        place = self.client.post("/uploads", headers=headers).headers["location"]
        for at in range(0, len(data), PIECE):
            headers = {"upload-offset": str(at), "content-type": "application/offset+octet-stream"}
            answer = self.client.patch(place, headers=headers, content=data[at : at + PIECE])
            assert answer.status_code == 204, answer.text

    def step(self, batch: str, step: str, state: str) -> None:
        """Ask for a step and wait until its work has ended."""
        assert self.client.post(f"/batches/{batch}/{step}").status_code == 303
        until = time.monotonic() + LONGEST_S
        while (now := self.client.get(f"/api/batches/{batch}").json()["state"]) != state:
            assert now in {"checking", "accepting"}, now
            assert time.monotonic() < until
            time.sleep(0.3)


def test_eight_send_while_two_accept(make_office: Callable[..., Office], tmp_path: Path) -> None:
    settings = WebSettings(data=tmp_path / "data")
    office = make_office()
    store = Store.create(settings.store_root, StoreSettings())
    folders = [
        write_batch(tmp_path / f"trip-{n}", trip_rows(f"T{n}", N_FISH, views=2))
        for n in range(N_SENDERS + N_ACCEPTERS)
    ]
    with serving(settings) as served:
        people = [Script(served.address, office, f"Person {n}") for n in range(len(folders))]
        batches = [person.begin(folder.name) for person, folder in zip(people, folders, strict=True)]
        for n in range(N_SENDERS, len(folders)):
            people[n].send(batches[n], folders[n])

        def work(n: int) -> dict[str, str]:
            if n < N_SENDERS:
                return people[n].send(batches[n], folders[n])
            people[n].step(batches[n], "check", "checked")
            people[n].step(batches[n], "accept", "accepted")
            return {}

        with ThreadPoolExecutor(len(folders)) as together:
            sent = list(together.map(work, range(len(folders))))
        for n in range(N_SENDERS):
            received = people[n].client.get(f"/batches/{batches[n]}/received").json()
            assert {name: one["sha256"] for name, one in received.items()} == sent[n]
    kept = settings.data / "batches"
    for n in range(N_SENDERS):
        found = {
            path.relative_to(kept / batches[n] / "received").as_posix(): sha256_bytes(path.read_bytes())
            for path in (kept / batches[n] / "received").rglob("*")
            if path.is_file()
        }
        assert found == sent[n]
    assert not list((settings.data / "incoming").iterdir())
    assert len(list_versions(store)) == N_ACCEPTERS
    assert len(open_version(store).table()) == N_ACCEPTERS * N_FISH * 2
    assert not verify_store(store).problems
