"""The README does what it says: its blocks are run as they stand, and it names every command there is."""

from __future__ import annotations

import csv
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from passage_cv.cli.main import COMMANDS
from passage_cv.demo.campaign import write_campaign
from tests.stories.conftest import POLICIES, ROOT, Ran

README = (ROOT / "README.md").read_text(encoding="utf-8")
Run = Callable[..., Ran]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A working folder as the README describes it: a batch of drawn pictures, a policy, the shipped configs."""
    work = tmp_path_factory.mktemp("readme")
    put_together(write_campaign(work / "trips", seed=5, size=0.06), work / "mine")
    shutil.copy(POLICIES / "quillmarsh.toml", work / "my-policy.toml")
    shutil.copytree(ROOT / "configs", work / "configs")
    return work


def put_together(trips: list[Path], mine: Path) -> None:
    """One folder and one sheet from the pictures of many trips, with the columns of the README."""
    (mine / "images").mkdir(parents=True)
    lines = ["image,individual,scientificName,eventID,eventDate,locationID"]
    for trip in trips:
        place = re.search(r'locationID = "([^"]+)"', (trip / "trip.toml").read_text())
        assert place is not None
        for row in csv.DictReader((trip / "sheet.csv").open()):
            names = [f"images/{trip.name}-{Path(name).name}" for name in row["image"].split(";")]
            for old, new in zip(row["image"].split(";"), names, strict=True):
                shutil.copy(trip / old, mine / new)
            cells = (row["individual"], row["scientificName"], row["eventID"], row["eventDate"], place.group(1))
            lines.append(",".join((";".join(names), *cells)))
    (mine / "sheet.csv").write_text("\n".join(lines) + "\n")
    (mine / "trip.toml").write_text('permit = "QMR-29-001"\nanimalCareProtocol = "ACP-0291"\n')


BLOCK = re.search(r"```sh\n(.*?)```", README, flags=re.DOTALL)
STANDS_FOR = {
    "BATCH": "mine",
    "BOOK": "book",
    "C": "cutoffs.json",
    "FILE": "scores.parquet",
    "FOLDERS": "mine/images",
    "P": "my-policy.toml",
    "PACKAGE": "package",
    "RUN": "run",
    "S": "data",
    "SITE": "QMR-KBW-01",
}
"""What the words in capitals of the README's table are in the folder of these tests."""


SAYS_NO = {
    "pair BATCH": "No line waits for pictures",  # the sheet of the ten minutes names its pictures
    "tally check BOOK": "Book has no trap line",  # the template is still empty
}
"""Commands that have nothing to do here and say so, with exit code 1."""


@pytest.fixture(scope="module")
def walked(folder: Path, run: Run) -> Path:
    """The folder after the ten minutes: its commands run as they stand, one after the other."""
    assert BLOCK is not None
    for command in BLOCK.group(1).strip().splitlines():
        program, name, *words = command.split()
        assert program == "passage-cv"
        done = run(name, *words, cwd=folder)
        assert done.code == (1 if name == "calibrate" else 0), f"{command}\n{done.out}\n{done.err}"
    return folder


@pytest.mark.slow
def test_own_pictures_in_ten_minutes(walked: Path) -> None:
    assert BLOCK is not None
    assert len(BLOCK.group(1).strip().splitlines()) == 8
    assert (walked / "report" / "report.html").is_file()
    assert (walked / "package" / "manifest.json").is_file()


def of_the_table() -> list[str]:
    """The commands of the table that the ten minutes do not run; what never ends is only asked for its help."""
    assert BLOCK is not None
    run_before = set(re.findall(r"passage-cv (\w+)", BLOCK.group(1)))
    rows = [line for line in README.splitlines() if line.startswith("|")]
    found = [command for row in rows for command in re.findall(r"`passage-cv ([^`]+)`", row)]
    return [
        "serve --help" if command == "serve" else command for command in found if command.split()[0] not in run_before
    ]


@pytest.mark.slow
@pytest.mark.parametrize("command", of_the_table())
def test_a_command_of_the_table_runs(command: str, walked: Path, run: Run, tmp_path: Path) -> None:
    words = [STANDS_FOR.get(word, word) for word in command.split()]
    for place, word in enumerate(words):
        if word in ("DIR", "SHEET"):
            words[place] = str(tmp_path / "out")
    if words[:2] == ["tally", "check"] and not (walked / "book").exists():
        run("tally", "template", "book", cwd=walked)
    if words[0] == "compare":
        # A second run is needed to compare with: the same settings but for the seed of the folds.
        settings = (walked / "configs" / "train" / "quick.toml").read_text().replace("\nseed = 1 ", "\nseed = 2 ")
        (tmp_path / "other.toml").write_text(settings)
        made = run(
            "train",
            tmp_path / "other.toml",
            "--store",
            "data",
            "--policy",
            "my-policy.toml",
            "-o",
            "run-2",
            cwd=walked,
        )
        assert made.code == 0, made.err
        words[2] = "run-2"
    done = run(*words, cwd=walked)
    assert done.code == (1 if command in SAYS_NO else 0), f"{command}\n{done.out}\n{done.err}"
    assert SAYS_NO.get(command, "") in done.err
    assert (done.out + done.err).strip()


def test_readme_names_every_command() -> None:
    named = set(re.findall(r"passage-cv (\w+)", README)) | {"demo"}
    assert set(COMMANDS) <= named
    assert named - {"demo"} <= set(COMMANDS)


def test_pictures_of_the_readme_exist() -> None:
    for place in re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README):
        assert (ROOT / place).is_file(), place


@pytest.mark.parametrize("name", ["demo", "test", "setup", "real-data", "bench"])
def test_scripts_are_there_and_can_be_run(name: str) -> None:
    assert (ROOT / "scripts" / name).stat().st_mode & 0o111
