"""From the gate log back to a batch folder (format 1): fish that were held or audited, with their pictures.

What a person found them to be stands in the sheet; where nobody looked yet, the name is left blank, and the check of
the batch asks for it. A class that hangs on mark, sex or life stage fills in those columns too. Nothing of the gate's
own opinion goes into the sheet: a label must not come from the model that it will judge.
"""

from __future__ import annotations

import csv
import io
import shutil
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from passage_cv.errors import InputError
from passage_cv.files import sha256_file, write_bytes, write_text
from passage_cv.policy import Policy
from passage_cv.progress import Progress, silent, tracked
from passage_cv.records import Action
from passage_cv.service.log import Finding, GateLog, LogLine

COLUMNS = (
    "image", "individual", "scientificName", "identificationMethod", "eventID", "eventDate", "locationID", "setup_id",
    "purpose", "light", "turbidity_NTU", "waterTemperature_C", "camera", "taken_at", "identifiedBy",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class BatchFacts:
    """What is common to the batch: permit and animal-care protocol, who writes it, the outing it counts as."""

    permit: str
    protocol: str
    recorded_by: str
    trip: str = ""


@dataclass(frozen=True, slots=True)
class BatchMade:
    """What was written: fish, pictures, and how many of the fish nobody has named yet."""

    folder: Path
    fish: int
    pictures: int
    unnamed: int


def write_batch(
    log: Path, out: Path, policy: Policy, facts: BatchFacts, *, since: str = "", progress: Progress = silent
) -> BatchMade:
    """Write a new batch folder from a gate log.

    Parameters
    ----------
    since
        Only presentations from this time on, as the log writes it (ISO 8601).

    Raises
    ------
    InputError
        If the folder exists, nothing was held or audited, or a picture is missing or altered.
    """
    if out.exists():
        raise InputError("Folder is there already", where=str(out), do="Give a new folder.")
    with GateLog.open_existing(log) as open_log:
        found = open_log.findings()
        lines = [line for line in open_log.lines() if line.time >= since and _is_wanted(line, found)]
    if not lines:
        raise InputError("No presentation with a picture was held or audited", where=str(log), do="Check --since.")
    out.parent.mkdir(parents=True, exist_ok=True)
    part = Path(tempfile.mkdtemp(dir=out.parent, prefix=".part-"))
    try:
        for line in tracked(lines, "Copying pictures", progress):
            _copy_pictures(line, log, part)
        write_bytes(part / "sheet.csv", _sheet(lines, found, policy))
        write_text(part / "trip.toml", _trip(facts))
        part.chmod(0o755)
        part.rename(out)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    unnamed = sum(line.presentation_id not in found for line in lines)
    return BatchMade(out, len(lines), sum(len(line.image_paths) for line in lines), unnamed)


def _is_wanted(line: LogLine, found: dict[str, Finding]) -> bool:
    looked_at = line.audit or line.presentation_id in found
    return bool(line.image_paths) and (line.action is Action.HOLD or looked_at)


def _copy_pictures(line: LogLine, log: Path, part: Path) -> None:
    for name, sha256 in zip(line.image_paths, line.image_sha256s, strict=True):
        source = log.parent / name
        if not source.is_file() or sha256_file(source) != sha256:
            raise InputError(
                f"Picture of {line.presentation_id} is {'altered' if source.is_file() else 'missing'}",
                where=str(source),
                do="Bring back the pictures folder that belongs to this log.",
            )
        write_bytes(part / "images" / source.name, source.read_bytes(), durable=False)


def _sheet(lines: Sequence[LogLine], found: dict[str, Finding], policy: Policy) -> bytes:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow((*COLUMNS, *policy.asked_columns))
    writer.writerows(_row(line, found.get(line.presentation_id), policy) for line in lines)
    return stream.getvalue().encode()


def _row(line: LogLine, finding: Finding | None, policy: Policy) -> Iterable[object]:
    rules = {rule.code: rule for rule in policy.classes}
    rule = None if finding is None else rules.get(finding.label)
    label = "" if finding is None else finding.label
    asked = rule.where.asked if rule and rule.where else {}
    return (
        ";".join(f"images/{Path(name).name}" for name in line.image_paths),
        line.presentation_id.rpartition("-")[2].lstrip("0") or "0",
        rule.scientific_name if rule else label,
        "" if finding is None else "field",
        line.event,
        line.time,
        line.site,
        line.setup_id,
        "gate view",
        line.light,
        "" if line.turbidity_NTU is None else line.turbidity_NTU,
        "" if line.waterTemperature_C is None else line.waterTemperature_C,
        line.camera,
        line.time,
        "" if finding is None else finding.by,
        *(asked.get(column, "") for column in policy.asked_columns),
    )


def _trip(facts: BatchFacts) -> str:
    values = {
        "permit": facts.permit,
        "animalCareProtocol": facts.protocol,
        "recordedBy": facts.recorded_by,
        "trip": facts.trip,
    }
    return "".join(f"{key} = {_quoted(value)}\n" for key, value in values.items() if value)


def _quoted(text: str) -> str:
    """A TOML string; what would end it is escaped."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", " ") + '"'
