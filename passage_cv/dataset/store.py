"""The data set's plain files: pictures by content hash, and the settings fixed when the store was made.

Layout (formats 6): ``store.toml``, ``objects/``, ``segments/``, ``facts/``, ``versions/``, ``heads/``,
``ledger/``, ``batches/``, ``working/``. Readable with a file manager, ``sha256sum`` and any Parquet tool.
"""

from __future__ import annotations

import json
import math
import tomllib
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from passage_cv.config import Settings, parse_settings
from passage_cv.dataset.storage import Storage, open_storage
from passage_cv.errors import InputError
from passage_cv.files import sha256_bytes

SETTINGS_FILE = "store.toml"
OBJECT_KINDS = ("jpg", "png", "bmp", "webp")
LONGEST_BLOCK = 100
"""Shares must fit a block of at most this many slots (hundredths)."""

Portion = Annotated[float, Field(ge=0, le=1)]


class Shares(Settings):
    """What part of the drawing units each role gets, in the long run and in every block."""

    train: Portion = 0.4
    cut: Portion = 0.4
    test: Portion = 0.2

    @model_validator(mode="after")
    def _whole(self) -> Self:
        total = self.train + self.cut + self.test
        if abs(total - 1) > 1e-9:
            raise ValueError(f"shares sum to {total:.6f}; they must sum to 1")
        if self.train == 0 or self.cut == 0:
            raise ValueError("train and cut need a share above 0; only test may be 0")
        if self.block_size > LONGEST_BLOCK:
            raise ValueError("shares must be whole hundredths, for example 0.4, 0.4, 0.2")
        return self

    @property
    def block_size(self) -> int:
        """Slots of the shortest block that holds whole numbers of each role."""
        parts = [Fraction(share).limit_denominator(10_000) for share in (self.train, self.cut, self.test)]
        return math.lcm(*(part.denominator for part in parts))


class StoreSettings(Settings):
    """What the first accept fixes for good (``store.toml``).

    ``limited`` names the excluded and protected species: a trip that holds one of them is drawn from its own
    blocks, so that every role gets such trips.
    """

    format: Literal[1] = 1
    unit: Literal["trip", "individual"] = "trip"
    shares: Shares = Shares()
    seed: Annotated[int, Field(ge=0)] = 0
    limited: tuple[str, ...] = ()

    @field_validator("limited")
    @classmethod
    def _sorted(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(sorted(set(names)))


@dataclass(frozen=True, slots=True)
class Store:
    """An open store; make one with :meth:`create` or :meth:`open`."""

    storage: Storage
    settings: StoreSettings
    settings_sha256: str

    @classmethod
    def create(cls, root: str | Path, settings: StoreSettings) -> Store:
        """Open the store at ``root``, making it first where there is none.

        Raises
        ------
        InputError
            If a store is there with other settings: unit, shares and seed are fixed for good.
        """
        storage = open_storage(root)
        storage.create(SETTINGS_FILE, _as_toml(settings).encode())
        store = cls.open(root)
        if store.settings != settings:
            raise InputError(
                f"Store has {_as_words(store.settings)}, asked for {_as_words(settings)}",
                where=store.place(SETTINGS_FILE),
                do="Leave these options out, or start another store.",
            )
        return store

    @classmethod
    def open(cls, root: str | Path) -> Store:
        """Open an existing store.

        Raises
        ------
        InputError
            If there is none, or its settings cannot be read.
        """
        storage = open_storage(root)
        where = f"{storage.root}/{SETTINGS_FILE}"
        try:
            data = storage.read(SETTINGS_FILE)
            values = tomllib.loads(data.decode())
        except FileNotFoundError as error:
            raise InputError("There is no store here", where=where, do="Accept a first batch.") from error
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise InputError(f"File is not TOML: {error}", where=where, do="Restore it from a copy.") from error
        return cls(storage, parse_settings(values, StoreSettings, where=where), sha256_bytes(data))

    def place(self, path: str) -> str:
        """Where a reader finds a file of the store."""
        return f"{self.storage.root}/{path}"

    def find_object(self, sha256: str) -> str | None:
        """Path of a picture in the store by its content hash, or None."""
        stem = f"objects/{sha256[:2]}/{sha256}"
        return next((p for kind in OBJECT_KINDS if self.storage.exists(p := f"{stem}.{kind}")), None)

    def object_path(self, sha256: str) -> Path:
        """A picture's file on this machine.

        Raises
        ------
        InputError
            If the store has no such picture, or is not local.
        """
        return self.storage.local(self._require_object(sha256))

    def read_object(self, sha256: str) -> bytes:
        """A picture's bytes as received.

        Raises
        ------
        InputError
            If the store has no such picture, or its bytes were changed.
        """
        path = self._require_object(sha256)
        data = self.storage.read(path)
        if sha256_bytes(data) != sha256:
            raise InputError(
                "Picture was changed in the store", where=self.place(path), do="Restore it from a copy, then verify."
            )
        return data

    def put_object(self, data: bytes, kind: str) -> str:
        """Keep a picture under its content hash, and return the hash."""
        sha256 = sha256_bytes(data)
        path = f"objects/{sha256[:2]}/{sha256}.{kind}"
        if not self.storage.exists(path):
            self.storage.put(path, data)
        return sha256

    def _require_object(self, sha256: str) -> str:
        path = self.find_object(sha256)
        if path is None:
            raise InputError(
                f"Store has no picture {sha256[:12]}",
                where=self.place("objects"),
                do="Run versions verify: it says whether the picture was withdrawn; if not, restore it from a copy.",
            )
        return path


def store_exists(root: str | Path) -> bool:
    """Whether there is a store at a folder or address."""
    return open_storage(root).exists(SETTINGS_FILE)


def _as_toml(settings: StoreSettings) -> str:
    limited = ", ".join(json.dumps(name, ensure_ascii=False) for name in settings.limited)
    shares = settings.shares
    return (
        "# Fixed by the first accept; roles were drawn with it, so it is never changed.\n"
        f"format = {settings.format}\n"
        f'unit = "{settings.unit}"\n'
        f"seed = {settings.seed}\n"
        f"limited = [{limited}]\n\n"
        f"[shares]\ntrain = {shares.train}\ncut = {shares.cut}\ntest = {shares.test}\n"
    )


def _as_words(settings: StoreSettings) -> str:
    shares = settings.shares
    limited = ", ".join(settings.limited) or "none"
    return (
        f"unit {settings.unit}, shares {shares.train} / {shares.cut} / {shares.test}, seed {settings.seed},"
        f" limited {limited}"
    )
