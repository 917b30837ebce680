"""The notebooks carry no output and run from their first cell to their last, as they stand in a fresh clone."""

from __future__ import annotations

import re
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
LONGEST_S = 600
names = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)


def test_there_are_three() -> None:
    assert [path.stem[:2] for path in NOTEBOOKS] == ["1-", "2-", "3-"]


@names
def test_no_output_is_stored(path: Path) -> None:
    book = nbformat.read(path, as_version=4)
    nbformat.validate(book)
    code = [cell for cell in book.cells if cell.cell_type == "code"]
    assert code
    assert all(not cell.outputs and cell.execution_count is None for cell in code)


@names
def test_it_begins_with_what_it_is_about_and_explains_each_step(path: Path) -> None:
    cells = nbformat.read(path, as_version=4).cells
    assert cells[0].cell_type == "markdown"
    assert cells[0].source.startswith("# ")
    told = sum(cell.cell_type == "markdown" for cell in cells)
    assert told >= len(cells) - told - 1


@names
def test_links_lead_to_notebooks_that_are_there(path: Path) -> None:
    text = "\n".join(cell.source for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "markdown")
    for target in re.findall(r"\]\(([^)]+)\)", text):
        assert (path.parent / target).is_file(), target


@pytest.mark.slow
@names
def test_it_runs(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setenv("MPLBACKEND", "module://matplotlib_inline.backend_inline")
    book = nbformat.read(path, as_version=4)
    NotebookClient(
        book, timeout=LONGEST_S, kernel_name="python3", resources={"metadata": {"path": tmp_path}}
    ).execute()
    shown = [output for cell in book.cells if cell.cell_type == "code" for output in cell.outputs]
    assert any("image/png" in output.get("data", {}) for output in shown)
