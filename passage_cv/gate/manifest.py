"""The manifest: every file's SHA-256, and an identity that covers the manifest itself.

The package id is the hash of everything else in the manifest, and the file has exactly one way to be written;
so one changed byte anywhere, the manifest included, is found. Nothing here loads a model or trusts a path.
"""

from __future__ import annotations

import json
from pathlib import Path, PurePosixPath
from typing import Annotated

from pydantic import Field, field_validator

from passage_cv.config import Settings, parse_settings
from passage_cv.errors import InputError
from passage_cv.files import canonical_json, sha256_bytes, sha256_file
from passage_cv.gate.format import CHANGES, MANIFEST, PACKAGE_FORMAT, SIGNATURE
from passage_cv.progress import Progress, silent, tracked

Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class Manifest(Settings):
    """What a package holds and what its limits were shown on.

    ``files`` maps each path below the folder (with ``/``) to its SHA-256; manifest and signature are not listed.
    """

    format: int
    package_id: Sha256
    created: str
    program: str
    site: str
    model_sha256: Sha256
    policy_sha256: Sha256
    cutoffs_sha256: Sha256
    data_version: str
    classes: tuple[str, ...]
    sites: tuple[str, ...]
    setup_ids: tuple[str, ...]
    files: dict[str, Sha256]

    @field_validator("files")
    @classmethod
    def _below_the_folder(cls, files: dict[str, str]) -> dict[str, str]:
        for name in files:
            path = PurePosixPath(name)
            if path.is_absolute() or ".." in path.parts or str(path) != name:
                raise ValueError(f"{name!r} does not lie below the package folder")
        return files

    @property
    def short_id(self) -> str:
        """The first 12 digits, for screens and log lines."""
        return self.package_id[:12]


def build_manifest(values: dict[str, object]) -> Manifest:
    """A manifest from everything but its id, which is computed."""
    probe = Manifest.model_validate({**values, "format": PACKAGE_FORMAT, "package_id": "0" * 64})
    return probe.model_copy(update={"package_id": _identity(probe)})


def manifest_bytes(manifest: Manifest) -> bytes:
    """The one way a manifest is written: sorted keys, two-space indent, a line end."""
    text = json.dumps(manifest.model_dump(mode="json"), sort_keys=True, indent=2, ensure_ascii=False)
    return (text + "\n").encode()


def read_manifest(folder: Path) -> Manifest:
    """Read a package's manifest and check it against itself.

    Raises
    ------
    InputError
        If it is missing, not JSON, of a later format, not in its one written form, or not its own identity.
    """
    path = folder / MANIFEST
    if not path.is_file():
        raise InputError(
            "manifest.json is missing", where=str(folder), do="Give the folder that 'passage-cv export' wrote."
        )
    data = path.read_bytes()
    values = _values(data, path)
    found = values.get("format")
    if found not in CHANGES:
        raise InputError(
            f"Package has format {found!r}, this program reads {', '.join(map(str, CHANGES))}",
            where=str(path),
            do="Use the program version that wrote it, or export again.",
        )
    manifest = parse_settings(values, Manifest, where=str(path))
    if manifest_bytes(manifest) != data or _identity(manifest) != manifest.package_id:
        raise _altered("manifest.json is not as it was written", str(path))
    return manifest


def find_altered(folder: Path, manifest: Manifest, progress: Progress = silent) -> tuple[str, ...]:
    """One sentence per file that is missing, extra, no plain file, or not what the manifest lists."""
    found = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if not _is_folder(path)}
    own = {MANIFEST, SIGNATURE}
    problems = [f"{name} is missing" for name in sorted(manifest.files.keys() - found.keys())]
    problems += [f"{name} is not listed" for name in sorted(found.keys() - manifest.files.keys() - own)]
    problems += [f"{name} is a link, not a file" for name in sorted(found) if found[name].is_symlink()]
    for name in tracked(sorted(manifest.files.keys() & found.keys()), "Checking every byte", progress):
        digest = sha256_file(found[name]) if found[name].is_file() else "no file"
        if digest != manifest.files[name]:
            problems.append(f"{name} does not match its hash: found {digest[:8]}, listed {manifest.files[name][:8]}")
    return tuple(problems)


def require_intact(folder: Path) -> Manifest:
    """The manifest of a package whose every byte is as it was written.

    Raises
    ------
    InputError
        Naming the first file that differs, before anything is loaded.
    """
    manifest = read_manifest(folder)
    problems = find_altered(folder, manifest)
    if problems:
        more = f" and {len(problems) - 1} more" if len(problems) > 1 else ""
        raise _altered(problems[0] + more, f"package {manifest.short_id}, {folder}")
    return manifest


def _altered(what: str, where: str) -> InputError:
    return InputError(
        what, where=where, do="Copy the whole folder again from the export; keep the package before it in service."
    )


def _identity(manifest: Manifest) -> str:
    values = manifest.model_dump(mode="json")
    del values["package_id"]
    return sha256_bytes(canonical_json(values))


def _is_folder(path: Path) -> bool:
    return path.is_dir() and not path.is_symlink()


def _values(data: bytes, path: Path) -> dict[str, object]:
    try:
        values = json.loads(data)
    except ValueError as error:
        raise _altered(f"manifest.json is not JSON: {error}", str(path)) from error
    if not isinstance(values, dict):
        raise _altered("manifest.json holds no table of values", str(path))
    return values
