"""Unpack a zip into a batch: only plain files under safe names, and never more than was promised.

The whole table of contents is judged before the first byte is written.
"""

from __future__ import annotations

import shutil
import stat
import zipfile
import zlib
from pathlib import Path

from passage_cv.errors import InputError
from passage_cv.progress import Progress, silent, tracked
from passage_cv.web.paths import below, safe_name

LARGEST_RATIO = 200
"""Pictures hardly shrink in a zip; a member that unpacks to more than this many times its size is a bomb [ours]."""
SMALL = 1 << 20
"""Members up to this size may shrink as they like: text does."""
_JUNK = ("__MACOSX/",)
_PIECE = 1 << 20


def unpack_zip(
    archive: Path, folder: Path, *, most_bytes: int, most_files: int, progress: Progress = silent
) -> list[str]:
    """Unpack every plain file and return their names.

    Raises
    ------
    InputError
        If it is no zip, is damaged or encrypted, holds a link or an unsafe name, or would unpack to too much;
        nothing is kept then.
    """
    try:
        with zipfile.ZipFile(archive) as packed:
            members = _members(packed, archive, most_bytes, most_files)
            return [_unpack(packed, member, folder) for member in tracked(members, "Unpacking", progress)]
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, OSError) as error:
        raise _refusal(f"Zip cannot be read: {error}", archive, "Pack it again without a password.") from error


def _members(packed: zipfile.ZipFile, archive: Path, most_bytes: int, most_files: int) -> list[zipfile.ZipInfo]:
    if not all(one.filename for one in packed.infolist()):
        raise _refusal("Zip holds a file without a name", archive, "Pack it again.")
    members = [one for one in packed.infolist() if not one.is_dir() and not _is_junk(one.filename)]
    names = [safe_name(one.filename) for one in members]
    if len(members) > most_files:
        raise _refusal(f"Zip holds {len(members)} files, allowed {most_files}", archive, "Send several batches.")
    if len({name.lower() for name in names}) != len(names):
        raise _refusal("Zip holds two files of one name", archive, "Rename one of them.")
    total = sum(one.file_size for one in members)
    if total > most_bytes:
        raise _refusal(f"Zip unpacks to {total} bytes, allowed {most_bytes}", archive, "Send several batches.")
    for one in members:
        _require_harmless(one, archive)
    return members


def _require_harmless(one: zipfile.ZipInfo, archive: Path) -> None:
    mode = one.external_attr >> 16
    if mode and not stat.S_ISREG(mode) and stat.S_IFMT(mode):
        raise _refusal(f"{one.filename!r} is a link or a device", archive, "Pack the files themselves.")
    if one.flag_bits & 0x1:
        raise _refusal(f"{one.filename!r} has a password", archive, "Pack it again without one.")
    if one.file_size > SMALL and one.file_size > LARGEST_RATIO * max(1, one.compress_size):
        raise _refusal(
            f"{one.filename!r} unpacks to {one.file_size} bytes from {one.compress_size}",
            archive,
            "Send the pictures.",
        )


def _unpack(packed: zipfile.ZipFile, member: zipfile.ZipInfo, folder: Path) -> str:
    """One member; its announced size is a promise that is kept by reading no further."""
    path = below(folder, member.filename)
    path.parent.mkdir(parents=True, exist_ok=True)
    written = 0
    with packed.open(member) as source, path.open("xb") as target:
        while piece := source.read(_PIECE):
            written += len(piece)
            if written > member.file_size:
                raise zipfile.BadZipFile(f"{member.filename} is longer than its entry says")
            target.write(piece)
    return path.relative_to(folder).as_posix()


def unpack_or_nothing(
    archive: Path, folder: Path, *, most_bytes: int, most_files: int, progress: Progress = silent
) -> list[str]:
    """As :func:`unpack_zip` into a folder of its own, which is removed again when it fails."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    try:
        return unpack_zip(archive, folder, most_bytes=most_bytes, most_files=most_files, progress=progress)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise


def _is_junk(name: str) -> bool:
    return name.startswith(_JUNK) or name.rpartition("/")[2] in {".DS_Store", "Thumbs.db", "desktop.ini"}


def _refusal(what: str, archive: Path, do: str) -> InputError:
    return InputError(what, where=archive.name, do=f"{do} Nothing was unpacked.")
