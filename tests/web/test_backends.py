"""A shared installation: the database on PostgreSQL, the store behind an S3-compatible address."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from passage_cv.dataset.ledger import uses_of
from passage_cv.dataset.store import Store
from passage_cv.web import jobs
from passage_cv.web.people import Role
from passage_cv.web.tables import Job
from tests.batches import trip_rows, write_batch
from tests.web.browser import free_port
from tests.web.conftest import Office
from tests.web.test_research import accept, begin, calibrated, last, propose
from tests.worlds import CODES

pytestmark = pytest.mark.slow


def _unprivileged() -> dict[str, str]:
    """PostgreSQL refuses to run as root; then it runs as the account that its package made."""
    return {"user": "postgres", "group": "postgres"} if os.geteuid() == 0 else {}


@pytest.fixture
def postgres(tmp_path: Path) -> Iterator[str]:
    """The address of an empty database of a server that lives as long as the test."""
    if not shutil.which("initdb") or not shutil.which("pg_ctl"):
        pytest.skip("no PostgreSQL server (initdb, pg_ctl) on this machine")
    pytest.importorskip("psycopg", reason="the PostgreSQL client is not installed")
    home = Path(tempfile.mkdtemp(prefix="pg-"))  # not tmp_path: the path of a socket must be short
    as_user = _unprivileged()
    if as_user:
        shutil.chown(home, **as_user)
    port, data = free_port(), home / "data"

    def call(*command: str) -> None:
        subprocess.run(command, check=True, capture_output=True, cwd=home, **as_user)  # type: ignore[call-overload]

    try:
        call("initdb", "-D", str(data), "-U", "office", "--auth=trust", "--no-sync")
        options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={home} -c fsync=off"
        call("pg_ctl", "-D", str(data), "-l", str(home / "log"), "-w", "-o", options, "start")
        yield f"postgresql+psycopg://office@127.0.0.1:{port}/postgres"
    finally:
        call("pg_ctl", "-D", str(data), "-m", "immediate", "stop")
        shutil.rmtree(home, ignore_errors=True)


def whole_way(office: Office, tmp_path: Path) -> None:
    """From a policy to a release that awaits an engineer."""
    researcher = office.role(Role.RESEARCHER)
    begin(researcher)
    for n in (1, 2):
        accept(office, write_batch(tmp_path / f"trip-{n}", trip_rows(f"T{n}", 10, CODES)))
    cutoffs = calibrated(office, researcher, tmp_path)
    researcher.post(f"/cutoffs/{cutoffs}/evaluate")
    office.work()
    assert last(office, "evaluate").state == "done", last(office, "evaluate").refusal
    propose(researcher, cutoffs)
    for page in ("/batches", "/data", "/models", "/cutoffs", "/releases", "/jobs", "/ledger"):
        assert researcher.get(page).status_code == 200, page
    store = Store.open(office.settings.store_root)
    assert [use.purpose for role in ("cut", "test") for use in uses_of(store, role)] == ["calibrate", "evaluate"]


def test_the_whole_way_on_postgresql(postgres: str, make_office: Callable[..., Office], tmp_path: Path) -> None:
    office = make_office(database=postgres)
    whole_way(office, tmp_path)
    assert not list(office.settings.data.glob("*.sqlite"))


def test_workers_of_one_postgresql_never_take_the_same_job(postgres: str, make_office: Callable[..., Office]) -> None:
    office = make_office(database=postgres)
    with office.server.sessions.begin() as db:
        wanted = sorted(jobs.add_job(db, "check", f"s{n}", {}, "Ada").id for n in range(40))
    taken: list[str] = []

    def work() -> None:
        misses = 0
        while misses < 5:
            job_id = jobs.claim(office.server.sessions, "short", lease_s=60)
            misses = 0 if job_id else misses + 1
            if job_id:
                taken.append(job_id)

    threads = [threading.Thread(target=work) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(taken) == wanted
    with office.server.sessions() as db:
        assert {job.starts for job in db.query(Job)} == {1}


def test_the_whole_way_with_a_store_behind_an_s3_address(
    make_office: Callable[..., Office], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    server = pytest.importorskip("moto.server", reason="the S3-compatible test server is not installed")
    pytest.importorskip("s3fs", reason="the S3 client is not installed")
    running = server.ThreadedMotoServer(ip_address="127.0.0.1", port=0)
    running.start()
    host, port = running.get_host_and_port()
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        monkeypatch.setenv(name, "test")
    monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://{host}:{port}")
    monkeypatch.setenv("AWS_DEFAULT_REGION", "us-east-1")
    files = pytest.importorskip("s3fs").S3FileSystem()
    files.mkdir("web-office")
    try:
        whole_way(make_office(store="s3://web-office/store"), tmp_path)
    finally:
        running.stop()
        type(files).clear_instance_cache()
