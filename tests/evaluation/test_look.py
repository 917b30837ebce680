"""The report can be read by whoever has to: contrast, colour-vision deficiency, grey, a phone, a spreadsheet."""

from __future__ import annotations

import re
import shutil
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from passage_cv.config import configs_folder
from passage_cv.evaluation.figures import ACTION_STYLE, DARK, GROUP_STYLE, INK, PAPER
from passage_cv.policy import read_policy
from tests.evaluation.test_browser import BROWSER, browse, write_page

CSS = (Path(__file__).parents[2] / "passage_cv" / "evaluation" / "templates" / "style.css").read_text(
    encoding="utf-8"
)
READABLE, SEEN = 4.5, 3.0
"""Least contrast of text and of a line that carries meaning: WCAG 2.1, success criteria 1.4.3 and 1.4.11."""
SEEN_AS = {
    # Machado, Oliveira & Fernandes 2009, severity 1.0, on linear light; from memory of the paper's table.
    "normal": np.eye(3),
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
    "grey": [[0.2126, 0.7152, 0.0722]] * 3,
}


def linear(colour: str) -> np.ndarray:
    """Linear light of a colour like ``#1d2a30`` (sRGB, IEC 61966-2-1)."""
    part = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str, eyes: str = "normal") -> float:
    """WCAG 2.1 contrast ratio of two colours as some eyes see them."""
    low, high = sorted(
        float(np.clip(np.array(SEEN_AS[eyes]) @ linear(colour), 0, 1) @ (0.2126, 0.7152, 0.0722))
        for colour in (one, other)
    )
    return (high + 0.05) / (low + 0.05)


def palette(dark: bool) -> dict[str, str]:
    """The page's colours by name, as its style sheet sets them."""
    blocks = re.findall(r":root \{([^}]*)\}", CSS)
    return dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", blocks[int(dark)]))


def test_the_formula_gives_what_the_standard_says() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # the well-known grey just below 4.5


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("eyes", SEEN_AS)
def test_words_can_be_read(dark: bool, eyes: str) -> None:
    colours = palette(dark)
    for ink in ("ink", "quiet", "calm", "stop"):
        for ground in ("page", "band"):
            assert contrast(colours[ink], colours[ground], eyes) >= READABLE, (ink, ground)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("eyes", SEEN_AS)
def test_lines_of_pictures_can_be_seen(dark: bool, eyes: str) -> None:
    for name in (INK, *(colour for _, colour, _ in GROUP_STYLE.values())):
        one, ground = (DARK[name], DARK[PAPER]) if dark else (name, PAPER)
        assert contrast(one, ground, eyes) >= SEEN, name


def test_nothing_is_told_by_colour_alone() -> None:
    """Lines differ by their dashes and bars by their hatching, so that they differ in any eyes and in grey."""
    assert len({dashes for _, _, dashes in GROUP_STYLE.values()}) == len(GROUP_STYLE)
    for one, other in combinations([hatch for _, _, hatch in ACTION_STYLE], 2):
        assert one != other


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_page(
        tmp_path_factory.mktemp("look"), read_policy(configs_folder() / "policy" / "quillmarsh.toml"), per_class=60
    )


def test_every_table_and_its_csv_are_one_click_apart(page: Path) -> None:
    linked = set(re.findall(r'href="([^"]+\.csv)"', page.read_text(encoding="utf-8")))
    assert linked == {path.name for path in page.parent.glob("*.csv")}


@pytest.mark.skipif(BROWSER is None, reason="no browser is installed")
@pytest.mark.parametrize("width", [360, 1400])
def test_the_page_itself_never_scrolls_sideways(page: Path, width: int, tmp_path: Path) -> None:
    """Shown in a frame of that width, since a browser window has a least width of its own."""
    shutil.copytree(page.parent, tmp_path / "report")
    measure = (
        f"<iframe src='report/report.html' style='width:{width}px;height:800px;border:0'></iframe><script>"
        "document.querySelector('iframe').onload = (event) => {"
        "const root = event.target.contentDocument.documentElement;"
        "document.documentElement.dataset.widths = [root.clientWidth, root.scrollWidth].join(' '); };</script>"
    )
    (tmp_path / "frame.html").write_text(f"<!doctype html><body>{measure}</body>", encoding="utf-8")
    dom = browse(
        (tmp_path / "frame.html").as_uri(), tmp_path / "profile", "--allow-file-access-from-files", "--dump-dom"
    )
    found = re.search(r'data-widths="(\d+) (\d+)"', dom)
    assert found is not None
    assert int(found[1]) == pytest.approx(width, abs=20)  # a scroll bar at most
    assert int(found[2]) == int(found[1])
