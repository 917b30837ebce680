"""The site file: the shipped one reads, and nothing in it can come to mean "pass"."""

from __future__ import annotations

from pathlib import Path

import pytest

from passage_cv.config import configs_folder
from passage_cv.errors import InputError
from passage_cv.gate.site import read_site

SHIPPED = configs_folder() / "site" / "kettleback.toml"


def test_the_shipped_site_reads() -> None:
    site = read_site(SHIPPED)
    assert site.site == "QMR-KBW-01"
    assert site.timing.left_s == pytest.approx(1.8)


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ('on_hold_full = "pass"', "on_hold_full"),
        ("signatures = 3", "signatures"),
        ("bypass_forever = true", "bypass_forever"),
        ("clock_jump_s = 0", "clock_jump_s"),
    ],
)
def test_what_a_site_cannot_say(tmp_path: Path, line: str, found: str) -> None:
    key = line.partition(" ")[0]
    kept = [one for one in SHIPPED.read_text().splitlines() if not one.startswith(f"{key} ")]
    (tmp_path / "site.toml").write_text("\n".join([line, *kept]))
    with pytest.raises(InputError, match=found):
        read_site(tmp_path / "site.toml")
