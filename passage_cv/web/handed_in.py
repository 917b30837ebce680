"""Small TOML files that people hand in under a name and that never change: policies and training set-ups."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from passage_cv.errors import InputError

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")


def is_name(name: str) -> bool:
    """Whether a file can be kept under a name.

    Examples
    --------
    >>> [is_name(one) for one in ("spring-2", "../spring", "")]
    [True, False, False]
    """
    return bool(_NAME.fullmatch(name))


def as_toml(text: str, *, where: str) -> dict[str, Any]:
    """The values of a TOML text.

    Raises
    ------
    InputError
        If it is not TOML.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"Text is not TOML: {error}", where=where, do="Correct that line.") from error
