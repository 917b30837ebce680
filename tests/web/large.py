"""A house with years of work in it: many accepted batches, and one batch with very many findings.

``PAGES`` names for every page that people open where it is opened in that house; ``LEFT_OUT`` says why the others are
not measured. A test holds both against the table of routes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from sqlalchemy import insert
from sqlalchemy.orm import Session

from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import list_versions, open_version
from passage_cv.web import accounts
from passage_cv.web.database import open_database
from passage_cv.web.people import Role
from passage_cv.web.settings import WebSettings
from passage_cv.web.tables import Batch, Decision, Deed, Found, FoundImage, Job, SheetLine, Upload, User
from tests.batches import jpeg

PASSWORD = "quiet water at dawn"
SECRET = "0123456789abcdef0123456789abcdef"
N_DECISIONS = 500
AT = "2031-05-11T20:00:00.000+00:00"

PAGES: Mapping[str, tuple[str, ...]] = {
    "/": ("/",),
    "/sign-in": ("/sign-in",),
    "/account": ("/account",),
    "/people": ("/people",),
    "/deeds": ("/deeds",),
    "/batches": ("/batches",),
    "/batches/new": ("/batches/new",),
    "/batches/{batch_id}": ("/batches/{done}", "/batches/{waiting}"),
    "/batches/{batch_id}/findings": (
        "/batches/{waiting}/findings",
        "/batches/{waiting}/findings?page={last}",
        "/batches/{waiting}/findings?kind=unknown+name",
        "/batches/{done}/findings",
    ),
    "/batches/{batch_id}/columns": ("/batches/{waiting}/columns",),
    "/batches/{batch_id}/receipt": ("/batches/{done}/receipt",),
    "/batches/{batch_id}/keying": ("/batches/{waiting}/keying",),
    "/keying": ("/keying",),
    "/readings": ("/readings",),
    "/readings/agreement": ("/readings/agreement",),
    "/pictures/{sha256}": ("/pictures/{picture}",),
    "/data": ("/data",),
    "/data/{name}": ("/data/{newest}",),
    "/data/{name}/since/{older}": ("/data/{newest}/since/{older}",),
    "/data/{name}/cover": ("/data/{newest}/cover",),
    "/data/{name}/leaks": ("/data/{newest}/leaks",),
    "/ledger": ("/ledger",),
    "/policies": ("/policies",),
    "/models": ("/models",),
    "/cutoffs": ("/cutoffs",),
    "/jobs": ("/jobs",),
    "/jobs/{job_id}": ("/jobs/{job}",),
    "/jobs/{job_id}/state": ("/jobs/{job}/state",),
    "/jobs/{job_id}/log": ("/jobs/{job}/log",),
    "/releases": ("/releases",),
    "/service": ("/service",),
}
"""Path of each page's route to the addresses at which it is asked for; :class:`House` fills in the names."""
_ONE_FILE = "shows the files of one job, as large in a small house as in a large one"
LEFT_OUT: Mapping[str, str] = {
    "/join/{secret}": "is opened once by each person",
    "/batches/{batch_id}/received": "is asked for by the sending script, once a batch",
    "/batches/{batch_id}/findings.csv": "is a whole table to keep",
    "/batches/{batch_id}/pairing": "needs pictures that know their time: bench_pages --big-batch opens it",
    "/batches/{batch_id}/thumbnails/{name:path}": "is a file of the batch's folder",
    "/batches/{batch_id}/pictures/{name:path}": "is a file: bench_pages --big-batch opens one",
    "/batches/{batch_id}/keying/compare": "holds one paper sheet",
    "/keying/{keying_id}": "holds one paper sheet",
    "/keying/{keying_id}/picture": "is a file of the batch's folder",
    "/models/compare/{made_id}": _ONE_FILE,
    "/models/{made_id}": _ONE_FILE,
    "/models/{made_id}/files/{name}": _ONE_FILE,
    "/models/set-ups/{name}": _ONE_FILE,
    "/cutoffs/try/{made_id}": _ONE_FILE,
    "/cutoffs/{made_id}": _ONE_FILE,
    "/reports/{made_id}/{name:path}": _ONE_FILE,
    "/releases/{release_id}": _ONE_FILE,
    "/releases/{release_id}/package.zip": "is a package to carry to a gate",
    "/service/status/{made_id}": _ONE_FILE,
}
"""Path of each route that is not measured here to the reason."""


@dataclass(frozen=True, slots=True)
class House:
    """How to come in, and the names that :data:`PAGES` asks for."""

    cookie: str
    mark: str
    names: Mapping[str, str]

    def addresses(self) -> list[str]:
        """Every address to measure."""
        return [one.format_map(self.names) for found in PAGES.values() for one in found]


def furnish(settings: WebSettings, store: Store, *, batches: int, pictures: int, findings: int) -> House:
    """Fill the database beside a filled store: a person with every role, accepted batches, one that waits."""
    sessions = open_database(settings)
    with sessions.begin() as db:
        invitation = accounts.invite(db, "Ada", list(Role))
    with sessions.begin() as db:
        user = accounts.join(db, invitation, "Ada", PASSWORD)
        user.initials = "ADA"
        cookie = accounts.begin_visit(db, user)
        done = _accepted(db, user, batches, pictures)
        waiting = _waiting(db, user, findings)
    (settings.data / "secret").write_text(SECRET)
    names = {"done": done, "waiting": waiting, "job": f"{0:012x}", "last": str(max(1, findings // 50))}
    return House(cookie, accounts.form_mark(SECRET, cookie), {**names, **_names_in(store)})


def _names_in(store: Store) -> dict[str, str]:
    versions = [info.name for info in list_versions(store)]
    picture = store.put_object(jpeg("one of many"), "jpg")
    assert len(open_version(store, versions[-1]).table(("image_sha256",)))
    return {"newest": versions[-1], "older": versions[-min(3, len(versions))], "picture": str(picture)}


def _accepted(db: Session, user: User, n: int, pictures: int) -> str:
    """Batches that are in the data set, with the rows of their files, their work and what was done."""
    names = [f"2031-{1 + i % 12:02d}-11-{i:04d}" for i in range(n)]
    receipt = {"batch": "b", "version": "v000001", "author": "Ada", "at": AT, "n_images": pictures, "unit": "trip",
               "n_individuals": pictures // 2, "segment_sha256": "0" * 64, "files": {"sheet.csv": "0" * 64},
               **{key: {} for key in ("roles", "classes", "excluded", "left_out")}}  # fmt: skip
    made = [
        Batch(owner_id=user.id, name=name, facts={"trip": name}, state="accepted", receipt=receipt) for name in names
    ]
    db.add_all(made)
    db.flush()
    for batch in made:
        _files(db, batch, pictures)
    _rows(db, Job, (
        {"id": f"{2 * i + k:012x}", "kind": kind, "lane": "short", "subject": batch.id, "given": {}, "who": "Ada",
         "state": "done", "result": {}, "ended_at": AT}
        for i, batch in enumerate(made) for k, kind in enumerate(("check", "accept"))
    ))  # fmt: skip
    _rows(db, Deed, ({"who": "Ada", "did": did, "what": name} for name in names for did in ("began", "accepted")))
    return made[0].id


def _waiting(db: Session, user: User, n: int) -> str:
    """A checked batch with ``n`` files, rows and findings, and some decisions."""
    summary = dict.fromkeys(("lines", "pictures", "individuals", "must resolve"), n)
    summary |= dict.fromkeys(("left out", "please look", "note"), 0)
    sheet = {"headings": ["image", "code"], "samples": {}, "proposals": {}, "layout": {}, "pairing": {}}
    batch = Batch(owner_id=user.id, name="long", facts={}, state="checked", summary=summary, sheet=sheet)
    db.add(batch)
    db.flush()
    _files(db, batch, n)
    values = {"kind": "unknown name", "severity": "must resolve", "message": "Row has a name that is not on the list",
              "image": None, "proposal": None, "change": None, "stands": ""}  # fmt: skip
    _rows(db, Found, (
        {"batch_id": batch.id, "number": i, "kind": "unknown name", "severity": "must resolve", "has_change": False,
         "line": i + 2, "stands": False,
         "values": {**values, "row": i + 2, "line": i + 2, "images": [f"images/{i}.jpg"]}}
        for i in range(n)
    ))  # fmt: skip
    _rows(db, FoundImage, ({"batch_id": batch.id, "image": f"images/{i}.jpg", "number": i} for i in range(n)))
    _rows(db, SheetLine, ({"batch_id": batch.id, "row": i + 2, "cells": {"code": "NSX"}} for i in range(n)))
    _rows(db, Decision, (_decision(batch, i) for i in range(min(n, N_DECISIONS))))
    return batch.id


def _decision(batch: Batch, i: int) -> dict[str, object]:
    """A corrected cell or, every second one, a picture left out."""
    made = {
        "batch_id": batch.id,
        "who": "Ada",
        "kind": "correct",
        "image": "",
        "row": i + 2,
        "column": "code",
        "value": "NSH",
    }
    left_out = {"kind": "exclude", "image": f"images/{i}.jpg", "row": 0, "column": "", "value": "blurred"}
    return made | (left_out if i % 2 else {})


def _files(db: Session, batch: Batch, n: int) -> None:
    """Rows of files that have arrived; there is nothing behind them."""
    _rows(db, Upload, (
        {"id": f"{batch.id}{i:08d}", "batch_id": batch.id, "name": f"images/{i}.jpg", "length": 400_000,
         "sha256": "0" * 64, "done_at": AT}
        for i in range(n)
    ))  # fmt: skip


def _rows(db: Session, table: type, rows: Iterable[dict[str, object]]) -> None:
    given = list(rows)
    if given:
        db.execute(insert(table), given)
