"""Files that are absent or whole, and names that one writer wins."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from passage_cv.dataset.storage import Storage, open_storage
from passage_cv.errors import InputError


@pytest.fixture(params=["local", "memory"])
def storage(request: pytest.FixtureRequest, tmp_path: Path) -> Storage:
    return open_storage(tmp_path / "s" if request.param == "local" else f"memory://{tmp_path.name}")


def test_what_is_put_is_read(storage: Storage) -> None:
    storage.put("a/b.bin", b"one")
    storage.put("a/c.bin", b"two", durable=False)
    assert storage.read("a/b.bin") == b"one"
    assert storage.exists("a/c.bin")
    assert storage.names("a") == ["b.bin", "c.bin"]
    assert storage.names("nowhere") == []
    storage.remove("a/b.bin")
    assert not storage.exists("a/b.bin")
    with pytest.raises(FileNotFoundError):
        storage.read("a/b.bin")


def test_one_of_many_writers_wins(tmp_path: Path) -> None:
    storage = open_storage(tmp_path / "s")
    with ThreadPoolExecutor(8) as pool:
        won = list(pool.map(lambda i: storage.create("heads/000001", str(i).encode()), range(40)))
    assert sum(won) == 1
    assert storage.read("heads/000001") == str(won.index(True)).encode()
    assert [path.name for path in (tmp_path / "s/heads").iterdir()] == ["000001"]


def test_unfinished_files_are_not_listed(tmp_path: Path) -> None:
    storage = open_storage(tmp_path)
    storage.put("a/whole", b"1")
    (tmp_path / "a/.part-killed").write_bytes(b"half")
    assert storage.names("a") == ["whole"]


def test_only_a_local_store_has_paths() -> None:
    with pytest.raises(InputError, match="needs the store in a local folder"):
        open_storage("memory://x").local("a")
