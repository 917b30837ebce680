"""The site file: the shipped one reads, and nothing in it can come to mean "pass"."""

from __future__ import annotations

import re
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
        ('held = { normal = { default = "pass" } }', "held.normal.default"),
        ('held = { tank_full = { default = "safe position", NSH = "pass" } }', "held.tank_full.NSH"),
        ('held = { stay_exceeded = { NSH = "reject" } }', "needs a line 'default'"),
        ("signatures = 0", "signatures"),
        ("signatures = 3", "signatures"),
        ('hours = { zone = "Quillmarsh", attended = [] }', "time zone 'Quillmarsh' is not known"),
        ('hours = { zone = "UTC", attended = ["Mon-Fri 6-18"] }', "is no shift"),
        ('hours = { zone = "UTC", attended = ["Mon-Fry 06:00-18:00"] }', "names a day other than"),
        ('hours = { zone = "UTC", attended = ["Mon 25:00-26:00"] }', "has a time that no day has"),
        ("bypass_forever = true", "bypass_forever"),
        ("clock_jump_s = 0", "clock_jump_s"),
    ],
)
def test_what_a_site_cannot_say(tmp_path: Path, line: str, found: str) -> None:
    key = line.partition(" ")[0]
    text = re.sub(rf"(?ms)^\[{key}[.\]].*?(?=^\[(?!{key}))", "", SHIPPED.read_text())
    kept = [one for one in text.splitlines() if not one.startswith(f"{key} ")]
    (tmp_path / "site.toml").write_text("\n".join([line, *kept]))
    with pytest.raises(InputError, match=found):
        read_site(tmp_path / "site.toml")
