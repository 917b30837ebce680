"""A running application in a temporary folder, and a signed-in browser or a script for each role."""

from __future__ import annotations

import io
import zipfile
from base64 import b64encode
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from fastapi import FastAPI
from fastapi.testclient import TestClient
from httpx import Response

from passage_cv.files import sha256_bytes
from passage_cv.web import accounts
from passage_cv.web.app import create_app
from passage_cv.web.ask import COOKIE, Server
from passage_cv.web.people import Role
from passage_cv.web.settings import WebSettings
from passage_cv.web.tables import User
from passage_cv.web.worker import run_all

PASSWORD = "quiet water at dawn"


@dataclass
class Office:
    """The application with what tests look at behind it."""

    app: FastAPI
    settings: WebSettings

    @property
    def server(self) -> Server:
        found: Server = self.app.state.server
        return found

    def person(self, name: str, *roles: Role) -> str:
        """Let somebody join; returns the name."""
        with self.server.sessions.begin() as db:
            secret = accounts.invite(db, name, roles)
        with self.server.sessions.begin() as db:
            accounts.join(db, secret, name, PASSWORD)
        return name

    def browser(self, name: str) -> Browser:
        """A browser in which this person is signed in."""
        with self.server.sessions.begin() as db:
            user = db.query(User).filter(User.name == name).one()
            secret = accounts.begin_visit(db, user)
        return Browser(self, secret)

    def role(self, *roles: Role) -> Browser:
        """A browser of a person with these roles."""
        name = "-".join(roles)[:40]
        with self.server.sessions() as db:
            known = db.query(User).filter(User.name == name).count()
        return self.browser(name if known else self.person(name, *roles))

    def work(self) -> int:
        """Do everything that waits in the queue, in this process."""
        return run_all(self.settings, self.server.sessions)


class Browser:
    """A test client that carries the cookie and the mark of its forms."""

    def __init__(self, office: Office, secret: str = "") -> None:
        self.office, self.secret = office, secret
        cookies = {COOKIE: secret} if secret else None
        self.client = TestClient(office.app, cookies=cookies, follow_redirects=False)

    @property
    def mark(self) -> str:
        return accounts.form_mark(self.office.server.secret, self.secret)

    def get(self, path: str, **more: object) -> Response:
        return self.client.get(path, **more)  # type: ignore[arg-type]

    def post(self, path: str, **fields: object) -> Response:
        return self.client.post(path, data={"mark": self.mark, **fields})

    def call(self, method: str, path: str, **more: object) -> Response:
        headers = {"x-form-mark": self.mark, **(more.pop("headers", {}) or {})}  # type: ignore[dict-item]
        return self.client.request(method, path, headers=headers, **more)  # type: ignore[arg-type]

    def begin(self, name: str = "2031-05-11-RKV", **facts: str) -> str:
        """Start a batch and return its id."""
        answer = self.post("/batches", name=name, **facts)
        assert answer.status_code == 303, answer.text
        return str(answer.headers["location"]).rpartition("/")[2]

    def send(self, batch: str, name: str, data: bytes, *, sha256: str | None = None) -> Response:
        """Send one whole file as the page does."""
        given = {"batch": batch, "filename": name, "sha256": sha256_bytes(data) if sha256 is None else sha256}
        pairs = (f"{key} {b64encode(value.encode()).decode()}" for key, value in given.items())
        headers = {
            "tus-resumable": "1.0.0",
            "upload-length": str(len(data)),
            "upload-metadata": ",".join(pairs),
            "content-type": "application/offset+octet-stream",
        }
        return self.call("POST", "/uploads", headers=headers, content=data)

    def send_folder(self, batch: str, folder: Path) -> None:
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                answer = self.send(batch, path.relative_to(folder).as_posix(), path.read_bytes())
                assert answer.status_code == 201, answer.text


def zip_of(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in files.items():
            packed.writestr(name, data)
    return out.getvalue()


@pytest.fixture(autouse=True)
def _quick_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Argon2 at its least cost: what it costs is not what these tests are about."""
    monkeypatch.setattr(accounts, "_hasher", PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))


@pytest.fixture
def make_office(tmp_path: Path) -> Callable[..., Office]:
    def make(**settings: object) -> Office:
        given = WebSettings(data=tmp_path / "data", hosts="testserver", **settings)  # type: ignore[arg-type]
        return Office(create_app(given, with_workers=False), given)

    return make


@pytest.fixture
def office(make_office: Callable[..., Office]) -> Office:
    return make_office()
