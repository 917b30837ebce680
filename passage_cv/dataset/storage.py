"""A folder of immutable files, on a local disk or behind an S3-compatible address.

Three promises: a file is absent or whole; :meth:`Storage.create` lets exactly one writer win; nothing written
is ever changed. What the files mean is the business of ``store`` and ``versions``.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO

import fsspec
from fsspec.implementations.local import LocalFileSystem

from passage_cv.errors import InputError
from passage_cv.files import write_bytes


@dataclass(frozen=True, slots=True)
class Storage:
    """Files below one root; paths are relative and use ``/``."""

    files: Any  # fsspec has no types
    root: str

    @property
    def is_local(self) -> bool:
        """Whether the root is a folder of this machine."""
        return isinstance(self.files, LocalFileSystem)

    def local(self, path: str) -> Path:
        """The path on this machine.

        Raises
        ------
        InputError
            If the store lies behind an address.
        """
        if not self.is_local:
            raise InputError(
                "This step needs the store in a local folder", where=self.root, do="Copy the store first."
            )
        return Path(self.root) / path

    def exists(self, path: str) -> bool:
        """Whether there is such a file."""
        return bool(self.files.exists(f"{self.root}/{path}"))

    def read(self, path: str) -> bytes:
        """The bytes of a file (FileNotFoundError where there is none)."""
        data: bytes = self.files.cat_file(f"{self.root}/{path}")
        return data

    def open(self, path: str) -> BinaryIO:
        """A file to read in parts (FileNotFoundError where there is none)."""
        if self.is_local:
            return self.local(path).open("rb")
        stream: BinaryIO = self.files.open(f"{self.root}/{path}")
        return stream

    def names(self, folder: str) -> list[str]:
        """Names in a folder, sorted; empty where there is no such folder; unfinished files left out."""
        try:
            found = self._listed(f"{self.root}/{folder}")
        except FileNotFoundError:
            return []
        return sorted(name for name in found if name and not name.startswith("."))

    def _listed(self, folder: str) -> list[str]:
        """Names in a folder; on this machine without a look at each file, as a long history has thousands."""
        if self.is_local:
            return os.listdir(folder)  # noqa: PTH208 - names alone, no paths
        found = self.files.ls(folder, detail=False, refresh=True)
        return [str(path).rstrip("/").rpartition("/")[2] for path in found]

    def walk(self, folder: str) -> Iterator[tuple[str, int, datetime]]:
        """Every file below a folder, unfinished ones too: path, bytes, and when it was last changed (UTC)."""
        found = self.files.find(f"{self.root}/{folder}", detail=True)
        for full, info in found.items():
            path = str(full).removeprefix(f"{self.root}/")
            changed = info.get("mtime", info.get("LastModified", info.get("created")))
            moment = changed if isinstance(changed, datetime) else datetime.fromtimestamp(changed, UTC)
            yield path, int(info["size"]), moment

    def put(self, path: str, data: bytes, *, durable: bool = True) -> None:
        """Write a file whose name says its content; writing it again changes nothing.

        ``durable`` waits until the disk has it; leave that out only for what can be made again.
        """
        if self.is_local and not durable:
            _write_quickly(Path(self.root) / path, data)
        elif self.is_local:
            write_bytes(Path(self.root) / path, data)
        else:
            self.files.pipe_file(f"{self.root}/{path}", data)

    def create(self, path: str, data: bytes) -> bool:
        """Write a file only if there is none of that name; False means another writer was first."""
        if self.is_local:
            return _create_local(Path(self.root) / path, data)
        try:
            self.files.pipe_file(f"{self.root}/{path}", data, mode="create")
        except FileExistsError:
            return False
        return True

    def remove(self, path: str) -> None:
        """Remove a file that nothing refers to."""
        self.files.rm_file(f"{self.root}/{path}")


def open_storage(root: str | Path) -> Storage:
    """Storage at a folder (made when first written to) or an address such as ``s3://bucket/store``."""
    files, path = fsspec.core.url_to_fs(str(root))
    return Storage(files, path.rstrip("/"))


def _write_quickly(path: Path, data: bytes) -> None:
    """Whole or absent for other readers, but not yet on the disk."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".part-{os.getpid()}-{os.urandom(6).hex()}")
    beside.write_bytes(data)
    beside.replace(path)


def _create_local(path: Path, data: bytes) -> bool:
    """Write beside, then link: the name appears whole, for one writer only."""
    if path.exists():
        return False
    beside = path.with_name(f".part-{os.getpid()}-{os.urandom(6).hex()}")
    write_bytes(beside, data)
    try:
        path.hardlink_to(beside)
    except FileExistsError:
        return False
    finally:
        beside.unlink()
    _flush_folder(path.parent)
    return True


def _flush_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
