"""Canonical JSON, SHA-256, write-then-rename: the only writer of final files.

A file written here is either absent or whole. Nothing in this module knows what the files mean.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

from passage_cv.errors import InputError

_CHUNK = 1 << 20


def sha256_bytes(data: bytes) -> str:
    """SHA-256 of some bytes as 64 lower-case hex digits.

    Examples
    --------
    >>> sha256_bytes(b"abc")[:16]  # FIPS 180-4 example
    'ba7816bf8f01cfea'
    """
    return hashlib.sha256(data).hexdigest()


def sha256_file(path: Path) -> str:
    """SHA-256 of a file's bytes, read a megabyte at a time."""
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while chunk := stream.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()


def canonical_json(value: Any) -> bytes:  # noqa: ANN401 - JSON has no narrower static type
    """One byte sequence per value: sorted keys, no spaces, UTF-8, no NaN or Infinity.

    Raises
    ------
    ValueError
        If the value holds NaN or an infinity; write ``None`` for "no cutoff allowed".
    """
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()


def write_bytes(path: Path, data: bytes, *, durable: bool = True) -> str:
    """Write a whole file or nothing, and return its SHA-256.

    The bytes go to a temporary file in the same folder, are flushed to disk and renamed into place. With
    ``durable`` off they are not flushed: enough for files that can be made again, and much faster.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".part-")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            if durable:
                os.fsync(stream.fileno())
        Path(temporary).chmod(0o644)
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    return sha256_bytes(data)


def write_text(path: Path, text: str) -> str:
    """Write a text file (UTF-8) whole or not at all, and return its SHA-256."""
    return write_bytes(path, text.encode())


def write_json(path: Path, value: Any) -> str:  # noqa: ANN401 - as canonical_json
    """Write readable JSON (sorted keys, two-space indent, no NaN) and return the file's SHA-256."""
    text = json.dumps(value, sort_keys=True, indent=2, ensure_ascii=False, allow_nan=False)
    return write_text(path, text + "\n")


def link_tree(source: Path, folder: Path, *, keeping: str = "") -> None:
    """Every plain file of a folder under the same name in another, without copying bytes where that is possible.

    A file named ``keeping`` that is there already stays as it is.
    """
    for path in sorted(source.rglob("*")):
        target = folder / path.relative_to(source)
        if path.is_symlink() or not path.is_file() or (target.is_file() and path.name == keeping):
            continue
        target.parent.mkdir(parents=True, exist_ok=True)
        target.unlink(missing_ok=True)
        try:
            os.link(path, target)
        except OSError:
            shutil.copyfile(path, target)


def read_json(path: Path) -> Any:  # noqa: ANN401 - as canonical_json
    """Read a JSON file.

    Raises
    ------
    InputError
        If the file is missing or is not JSON.
    """
    try:
        return json.loads(path.read_bytes())
    except FileNotFoundError as error:
        raise InputError("File is missing", where=str(path), do="Check the path.") from error
    except ValueError as error:
        raise InputError(
            f"File is not JSON: {error}", where=str(path), do="Write it again with its command."
        ) from error
