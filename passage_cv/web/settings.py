"""Where the web application keeps things and how it is reached: the only reader of the environment.

Everything has an embedded default below one data folder, so that ``passage-cv serve`` needs no set-up. A team
names a shared database and store instead.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

from pydantic import Field

from passage_cv.config import Settings, parse_settings

PREFIX = "PASSAGE_WEB_"
GIB = 1 << 30


class WebSettings(Settings):
    """One server's settings; each has the environment variable ``PASSAGE_WEB_<NAME>``.

    ``database`` is a SQLAlchemy address (SQLite in the data folder by default), ``store`` a folder or an
    S3-compatible address. ``https`` says that people reach the server through TLS, which a proxy may end.
    ``language`` names the files of texts that are offered, with commas, the first for browsers that ask for none of
    them (all there are, English first, where it is empty); ``tracking`` is the address under which people open the
    mlflow server.
    Limits on uploads are per file, per batch, and for what a zip may unpack to. Limits per minute are those of one
    person: pieces of files, work put into the queue, requests of scripts, other changes; one address may have eight
    persons' worth. Signing in, joining and wrong tokens are counted per address.
    """

    data: Path
    database: str = ""
    store: str = ""
    https: bool = False
    hosts: str = "localhost,127.0.0.1"
    language: str = ""
    tracking: str = ""
    secret: str = ""
    upload_bytes: Annotated[int, Field(gt=0)] = 8 * GIB
    batch_bytes: Annotated[int, Field(gt=0)] = 64 * GIB
    batch_files: Annotated[int, Field(gt=0)] = 50_000
    sign_ins_per_5_min: Annotated[int, Field(gt=0)] = 30
    uploads_per_minute: Annotated[int, Field(gt=0)] = 30_000
    work_per_minute: Annotated[int, Field(gt=0)] = 60
    scripts_per_minute: Annotated[int, Field(gt=0)] = 1_800
    changes_per_minute: Annotated[int, Field(gt=0)] = 600
    lease_s: Annotated[float, Field(gt=0)] = 20.0

    @property
    def database_url(self) -> str:
        """The database's address, or the embedded one."""
        return self.database or f"sqlite:///{self.data / 'web.sqlite'}"

    @property
    def store_root(self) -> str:
        """The store's address, or the embedded one."""
        return self.store or str(self.data / "store")

    @property
    def host_names(self) -> list[str]:
        """Names under which the server may be called; any other is refused."""
        return [name.strip() for name in self.hosts.split(",") if name.strip()]

    def as_environment(self) -> dict[str, str]:
        """The variables that give a child process the same settings."""
        return {PREFIX + key.upper(): str(value) for key, value in self.model_dump(mode="json").items()}


def read_environment(environment: Mapping[str, str] | None = None, **given: object) -> WebSettings:
    """Settings from the environment; ``given`` (from the command line) goes before it.

    Raises
    ------
    InputError
        Naming every variable that is unknown or out of range.
    """
    variables = os.environ if environment is None else environment
    values = {key.removeprefix(PREFIX).lower(): value for key, value in variables.items() if key.startswith(PREFIX)}
    values |= {key: str(value) for key, value in given.items() if value is not None}
    values.setdefault("data", "passage-data")
    found = parse_settings(values, WebSettings, where=f"{PREFIX}* in the environment")
    return found.model_copy(update={"data": found.data.resolve()})


def inherited_environment() -> dict[str, str]:
    """Variables of this process, for a child that adds its own."""
    return dict(os.environ)
