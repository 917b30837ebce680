"""What work leaves beside the place of its result while it is unfinished, and when that goes.

A training that is fine-tuned keeps its fits in a hidden folder that begins with the job's id. Work that was lost with
its server is gone on with from there; of work that was stopped, refused or given up nobody will ever go on.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from passage_cv.web.database import Sessions
from passage_cv.web.settings import WebSettings
from passage_cv.web.tables import Job

_UNFINISHED = "*/.*.unfinished"


def remove_remains(settings: WebSettings, sessions: Sessions) -> None:
    """Remove what ended work left unfinished; of work that waits, runs or may be taken over all stays."""
    found = list((settings.data / "made").glob(_UNFINISHED))
    if not found:
        return
    with sessions() as db:
        ended = [path for path in found if (job := db.get(Job, _job_of(path))) is not None and job.ended_at]
    for path in ended:
        shutil.rmtree(path, ignore_errors=True)


def _job_of(path: Path) -> str:
    """The id of the job that left a folder ``.ID-TASK.unfinished``."""
    return path.name[1:].partition("-")[0]
