"""A script of somebody: it has a token, and sends files as the OpenAPI text says."""

from __future__ import annotations

from base64 import b64encode
from typing import Any

from fastapi.testclient import TestClient
from httpx import Response

from passage_cv.files import sha256_bytes
from passage_cv.web import accounts
from passage_cv.web.people import Role
from passage_cv.web.tables import User
from tests.web.conftest import Office


def token_of(office: Office, *roles: Role) -> dict[str, str]:
    """What a script of a person with these roles sends."""
    office.role(*roles)
    with office.server.sessions.begin() as db:
        owner = db.query(User).filter(User.name == "-".join(roles)[:40]).one()
        return {"authorization": f"Bearer {accounts.make_token(db, owner, 'test')}"}


class Script:
    """Somebody's script: a token and nothing else, no cookie and no form."""

    def __init__(self, office: Office, *roles: Role) -> None:
        self.headers = token_of(office, *roles)
        self.client = TestClient(office.app, follow_redirects=False)

    def get(self, path: str) -> Any:  # noqa: ANN401 - JSON
        return self._read(self.client.get(path, headers=self.headers))

    def post(self, path: str, **body: object) -> Any:  # noqa: ANN401 - JSON
        return self._read(self.client.post(path, headers=self.headers, json=body))

    def _read(self, answer: Response) -> Any:  # noqa: ANN401 - JSON
        assert answer.status_code == 200, answer.text
        return answer.json()

    def send(self, batch: str, name: str, data: bytes) -> None:
        """As the OpenAPI text says: announce, send half, ask where to go on, send the rest."""
        pairs = {"batch": batch, "filename": name, "sha256": sha256_bytes(data)}
        metadata = ",".join(f"{key} {b64encode(value.encode()).decode()}" for key, value in pairs.items())
        headers = {**self.headers, "tus-resumable": "1.0.0"}
        given = {**headers, "upload-length": str(len(data)), "upload-metadata": metadata}
        answer = self.client.post("/uploads", headers=given)
        assert answer.status_code == 201
        place, half = answer.headers["location"], len(data) // 2
        for at, piece in ((0, data[:half]), (half, data[half:])):
            assert self.client.head(place, headers=headers).headers["upload-offset"] == str(at)
            sent = {**headers, "content-type": "application/offset+octet-stream", "upload-offset": str(at)}
            answer = self.client.patch(place, headers=sent, content=piece)
            assert (answer.status_code, answer.headers["upload-offset"]) == (204, str(at + len(piece)))
