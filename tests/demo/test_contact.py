"""Contact sheets are written, and refuse what they do not know."""

from pathlib import Path

import cv2
import pytest

from passage_cv.demo.contact import contact_sheet
from passage_cv.errors import InputError


def test_a_page_has_its_rows_and_columns(tmp_path: Path) -> None:
    path = contact_sheet(["ASE", "EEL"], tmp_path / "page.png", per_species=3, columns=3, cell_width=160)
    assert cv2.imread(str(path)).shape == (2 * 90, 3 * 160, 3)


def test_unknown_codes_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="Unknown species \\['WPH'\\]"):
        contact_sheet(["WPH"], tmp_path / "page.png")
