"""Challenge sets and acceptance sheets: to the confirmed position, on a page that claims nothing by itself."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from passage_cv.cli.gate import app
from passage_cv.config import configs_folder
from passage_cv.errors import InputError
from passage_cv.gate.site import read_site
from passage_cv.records import Action
from passage_cv.service.challenge import Target, judge_challenge, read_challenge
from passage_cv.service.controller import Controller
from passage_cv.service.frames import ListedCamera
from passage_cv.service.log import GateLog
from passage_cv.service.plant import Position
from passage_cv.service.presence import FIRST_FRAMES
from tests.service.lines import make_line
from tests.service.river import River, SimulatedPlant, make_clock

SITE = configs_folder() / "site" / "kettleback.toml"
TARGETS = "target,expected,position\ndummy shad,pass,\ndummy snakehead,reject;hold,\ntwo dummies,hold,hold;safe\n"


@pytest.fixture
def targets(tmp_path: Path) -> Path:
    path = tmp_path / "targets.csv"
    path.write_text(TARGETS)
    return path


@pytest.fixture
def log(package: Path, keys: Path, tmp_path: Path) -> Path:
    """A live run before a plant that confirms, three targets shown."""
    plant, clock, river, path = SimulatedPlant(), make_clock(), River(), tmp_path / "gate.sqlite"
    site = read_site(SITE).model_copy(update={"setup_id": "demo-setup"})
    with GateLog(path) as open_log:
        controller = Controller(package, site, open_log, plant, clock, keys=keys)
        controller.start(by="TBO")
        plant.change(is_remote=True)
        shown = [*river.empty(FIRST_FRAMES), *river.one("AMS"), *river.one("NSH"), *river.two(), *river.empty(3)]
        controller.run(ListedCamera(shown, clock, setup_id="demo-setup"))
    return path


def test_targets_are_judged_by_action_and_confirmed_position() -> None:
    targets = [Target(str(n), (Action.HOLD,), (Position.HOLD,)) for n in range(4)]
    lines = [
        make_line(1, Action.HOLD, live=True, confirmed="hold"),
        make_line(2, Action.HOLD, live=True, confirmed="safe"),
        make_line(3, Action.PASS, live=True, confirmed="hold"),
        make_line(4, Action.HOLD),
    ]
    assert [one.ok for one in judge_challenge(targets, lines)] == [True, False, False, True]


def test_another_number_of_presentations_judges_nothing() -> None:
    with pytest.raises(InputError, match="1 targets were listed, the gate saw 0 presentations"):
        judge_challenge([Target("dummy", (Action.HOLD,))], [])


@pytest.mark.parametrize(
    "text", ["target,expected\ndummy,let through\n", "target\ndummy\n", "target,expected\n,hold\n"]
)
def test_a_target_that_cannot_be_read_is_named(tmp_path: Path, text: str) -> None:
    (tmp_path / "targets.csv").write_text(text)
    with pytest.raises(InputError, match=r"Target cannot be read.*row 2"):
        read_challenge(tmp_path / "targets.csv")


def test_a_challenge_is_judged_on_the_command_line(log: Path, targets: Path) -> None:
    done = CliRunner().invoke(app, ["challenge", str(log), str(targets), "--since", "2031", "--by", "RKV"])
    assert done.exit_code == 0, done.output
    with GateLog(log) as open_log:
        assert open_log.events()[-1][1:] == ("challenge", '{"failed":[],"targets":3}', "RKV")
    targets.write_text(TARGETS.replace("dummy shad,pass", "dummy shad,hold"))
    done = CliRunner().invoke(app, ["challenge", str(log), str(targets), "--since", "2031", "--by", "RKV"])
    assert done.exit_code == 1
    assert "FAILED" in done.output


@pytest.mark.parametrize("place", ["factory", "site"])
def test_a_sheet_is_one_page_with_room_to_sign(
    package: Path, keys: Path, log: Path, targets: Path, tmp_path: Path, place: str
) -> None:
    out = tmp_path / "sheet.html"
    words = ["sheet", place, "--package", str(package), "--site", str(SITE), "-o", str(out), "--keys", str(keys)]
    done = CliRunner().invoke(app, [*words, "--targets", str(targets), "--log", str(log), "--since", "2031"])
    assert done.exit_code == 0, done.output
    page = out.read_text(encoding="utf-8")
    assert "signed by TBO, RKV" in page
    assert "two dummies" in page
    assert ("Press the emergency stop" in page) is (place == "site")
    assert "src=" not in page
    assert "http" not in page
    done = CliRunner().invoke(app, [*words[:1], "ship", *words[2:]])
    assert "There is no sheet for 'ship'" in str(done.exception)
