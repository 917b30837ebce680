"""The page's own scripts, run outside a browser, and the vendored ones as they came."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from passage_cv.web.pages import STATIC

HERE = Path(__file__).parent


@pytest.mark.skipif(shutil.which("node") is None, reason="needs node to run the page's SHA-256 outside a browser")
def test_the_pages_sha256_is_sha256() -> None:
    command = ["node", str(HERE / "test_sha256.mjs"), str(STATIC / "sha256.js")]
    assert subprocess.run(command, capture_output=True, text=True, check=True).stdout == "same\n"


def test_vendored_files_stand_beside_their_licences() -> None:
    vendored = {path.name for path in (STATIC / "vendor").iterdir()}
    assert vendored == {"htmx-2.0.11.min.js", "htmx-LICENSE.txt", "tus-4.3.1.min.js", "tus-LICENSE.txt"}
