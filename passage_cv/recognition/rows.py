"""The rows of a version that a model may use, with the class each has for this model.

Comes in: a version, and a policy or a run's classes. Goes out: gate views with their labels, and the columns of a
scores file. Pictures of other purpose, or of no individual, never get here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pyarrow as pa
from pydantic import Field

from passage_cv.config import Settings, parse_settings
from passage_cv.errors import InputError
from passage_cv.files import read_json
from passage_cv.policy import Policy
from passage_cv.scores import NUMBER_COLUMNS, TEXT_COLUMNS

GATE_VIEW = "gate view"
NOT_EXAMINED = ("", "NX", "U")
"""What a sheet says of a mark or sex that nobody looked for."""
UNKNOWN = "unknown"
"""Class of a fish that the model has no class for; it may only be held."""


class RunClasses(Settings):
    """The classes of a run in the model's order, each with the scientific name it was learnt from."""

    format: Literal[1] = 1
    classes: tuple[str, ...]
    scientific_names: Mapping[str, str]
    where: Mapping[str, Mapping[str, str]] = Field(default_factory=dict)
    """Class to what else the sheet must say of its fish: column to value, for classes within a species."""

    def class_of(self, row: Mapping[str, Any]) -> str:
        """The class of a row of a version, :data:`UNKNOWN` for another species, "" where the sheet does not tell."""
        own = [code for code in self.classes if self.scientific_names[code] == row["scientificName"]]
        if not own:
            return UNKNOWN
        asked = {code: self.where.get(code, {}) for code in own}
        fits = [code for code in own if all(row[column] == value for column, value in asked[code].items())]
        if fits:
            return fits[0]
        untold = {column for rule in asked.values() for column in rule if (row[column] or "") in NOT_EXAMINED}
        return "" if untold else UNKNOWN


def read_run_classes(path: Path) -> RunClasses:
    """Read a run's ``classes.json``.

    Raises
    ------
    InputError
        If it is missing, is not JSON, or has a missing or unknown key.
    """
    return parse_settings(read_json(path), RunClasses, where=str(path))


@dataclass(frozen=True, slots=True)
class Rows:
    """Gate views in sheet order; ``table`` has the columns of a version, ``label`` the class of each row."""

    table: pa.Table
    label: npt.NDArray[np.str_]

    def __len__(self) -> int:
        return len(self.label)

    def column(self, name: str) -> list[Any]:
        """One column as plain values."""
        values: list[Any] = self.table[name].to_pylist()
        return values

    @property
    def images(self) -> list[str]:
        """SHA-256 of each picture."""
        return self.column("image_sha256")

    def numbered(self, name: str) -> npt.NDArray[np.intp]:
        """A text column as numbers from 0, in the order of its sorted values."""
        return np.unique(np.array(self.column(name), dtype=np.str_), return_inverse=True)[1]

    def score_columns(self, **more: Sequence[object] | npt.NDArray[Any]) -> dict[str, Any]:
        """The columns of a scores file that a version has."""
        known = [name for name in (*TEXT_COLUMNS, *NUMBER_COLUMNS) if name in self.table.column_names]
        return {**{name: self.column(name) for name in known}, "class": self.label, **more}

    def where(self, keep: npt.NDArray[np.bool_]) -> Rows:
        """The rows where ``keep`` is true."""
        return Rows(self.table.filter(pa.array(keep)), self.label[keep])


def choose_classes(table: pa.Table, policy: Policy | None, *, where: str = "version") -> RunClasses:
    """The classes a model of this version shall have.

    With a policy they are its codes in its order, each matched by scientific name; without one, every scientific name
    with a gate view in ``train``, in lower case with hyphens.

    Raises
    ------
    InputError
        If a class of the policy has no gate view in ``train``.
    """
    usable = _gate_views(table)
    names = np.array(usable["scientificName"].to_pylist(), dtype=np.str_)
    found = sorted(set(names[np.array(usable["role"].to_pylist()) == "train"]) - {""})
    if policy is None:
        codes = {name.lower().replace(" ", "-"): str(name) for name in found}
        return RunClasses(classes=tuple(codes), scientific_names=codes)
    classes = classes_of(policy)
    met = set(label_rows(table, classes, "train").label.tolist())
    lacking = [code for code in policy.codes if code not in met]
    if lacking:
        raise InputError(
            f"No gate view in train of {', '.join(lacking)}, which the policy names",
            where=where,
            do="Accept a batch that has them, or take them out of the policy: they will then be held as unknown.",
        )
    return classes


def classes_of(policy: Policy) -> RunClasses:
    """The classes of a policy, in its order."""
    return RunClasses(
        classes=policy.codes,
        scientific_names={rule.code: rule.scientific_name for rule in policy.classes},
        where={rule.code: rule.where.asked for rule in policy.classes if rule.where},
    )


def label_rows(table: pa.Table, classes: RunClasses, *roles: str) -> Rows:
    """The gate views of these roles, each with its class or :data:`UNKNOWN`.

    A fish whose class hangs on a mark or sex that nobody examined is left out: nobody knows which class it is of.
    """
    usable = _gate_views(table)
    usable = usable.filter(pa.array([role in roles for role in usable["role"].to_pylist()], pa.bool_()))
    asked = sorted({"scientificName", *(column for rule in classes.where.values() for column in rule)})
    labels = np.array([classes.class_of(row) for row in usable.select(asked).to_pylist()], dtype=np.str_)
    return Rows(usable, labels).where(labels != "")


def _gate_views(table: pa.Table) -> pa.Table:
    pairs = zip(table["purpose"].to_pylist(), table["individual"].to_pylist(), strict=True)
    return table.filter(
        pa.array([purpose == GATE_VIEW and bool(individual) for purpose, individual in pairs], pa.bool_())
    )
