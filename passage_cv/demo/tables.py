"""Write a CSV table as spreadsheets do."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from passage_cv.files import write_text


def write_table(path: Path, columns: Sequence[str], rows: Iterable[Mapping[str, str]]) -> None:
    """Write a table: UTF-8, CRLF, headings first."""
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, columns, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    write_text(path, text.getvalue())
