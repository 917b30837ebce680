"""One TOML file becomes one typed, frozen settings record; unknown keys are refused.

Files come from ``configs/`` or from the user. Values are read once and hashed; nothing here knows what a
setting means.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from passage_cv.errors import InputError
from passage_cv.files import canonical_json, sha256_bytes

_PACKAGE = Path(__file__).resolve().parent


class Settings(BaseModel):
    """Base of every settings and format record: frozen, and strict about unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid")


S = TypeVar("S", bound=Settings)


def configs_folder() -> Path:
    """The shipped ``configs/``: inside an installed package, or beside it in a checkout."""
    inside = _PACKAGE / "configs"
    return inside if inside.is_dir() else _PACKAGE.parent / "configs"


def describe_errors(error: ValidationError) -> str:
    """All problems of a record in one line, each with its key and the value found."""
    lines = []
    for problem in error.errors():
        key = ".".join(str(part) for part in problem["loc"]) or "file"
        found = problem.get("input")
        shown = "" if isinstance(found, dict | list) or found is None else f", found {found!r}"
        lines.append(f"{key}: {problem['msg'].removeprefix('Value error, ')}{shown}")
    return "; ".join(lines)


def parse_settings(values: object, model: type[S], *, where: str) -> S:
    """Check plain values (from TOML or JSON) against a settings record.

    Raises
    ------
    InputError
        Naming every key that is missing, unknown or out of range.
    """
    try:
        return model.model_validate(values)
    except ValidationError as error:
        raise InputError(describe_errors(error), where=where, do="Correct these keys; nothing was done.") from error


def read_settings(path: Path, model: type[S]) -> S:
    """Read one TOML file into one settings record.

    Raises
    ------
    InputError
        If the file is missing, is not TOML, or does not fit the record.
    """
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise InputError(
            "Settings file is missing", where=str(path), do=f"Examples lie in {configs_folder().name}/."
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"File is not TOML: {error}", where=str(path), do="Correct that line.") from error
    return parse_settings(values, model, where=str(path))


def settings_sha256(settings: Settings) -> str:
    """Hash of the values, whatever the file's layout and comments."""
    return sha256_bytes(canonical_json(settings.model_dump(mode="json")))
