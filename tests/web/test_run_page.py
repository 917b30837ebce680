"""The page of a training run: each class, its pictures, the command for the tracking file, and rules on views."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from passage_cv.recognition.figures import draw_curves
from passage_cv.web.people import Role
from passage_cv.web.runs import holds_views, run_behind
from passage_cv.web.tables import Made
from tests.web.conftest import Browser, Office
from tests.web.script import Script
from tests.web.test_looking import enter_run
from tests.web.test_research import begin, calibrated, enter_scores, propose

NO_VIEWS = "Holds no view by rules"


@pytest.fixture
def researcher(office: Office) -> Browser:
    return office.role(Role.RESEARCHER)


def enter_whole_run(office: Office, **metrics: object) -> tuple[str, Path]:
    """A run with figures of each class, drawings and a tracking file, as training leaves them; and its folder."""
    run = enter_run(office, "aaaaaa", seed=1)
    folder = office.settings.data / "made" / "run" / "aaaaaa"
    (folder / "curves.svg").write_bytes(draw_curves({"tried_loss": [(0, 0.5), (1, 0.25)]}))
    (folder / "classes.csv").write_text("class,individuals,right\r\nNSH,8,6\r\n")
    (folder / "model.onnx").write_bytes(b"model")
    (folder.parent / "mlflow.db").write_bytes(b"")
    with office.server.sessions.begin() as db:
        made = db.get_one(Made, run)
        classes = {"NSH": {"individuals": 8, "right": 6}, "XXX": {"individuals": 0, "right": 0}}
        made.facts = {**made.facts, "metrics": {"classes": classes, **metrics}}
    return run, folder


def test_each_class_shows_with_how_many_were_right(office: Office, researcher: Browser) -> None:
    run, _ = enter_whole_run(office)
    page = researcher.get(f"/models/{run}").text
    rows = dict(re.findall(r'<th scope="row">(NSH|XXX)</th>(.*?)</tr>', page))
    assert re.findall(r"<td[^>]*>(.*?)</td>", rows["NSH"])[:2] == ["8", "6"]
    assert "75" in rows["NSH"]  # 6 of 8
    assert re.findall(r"<td[^>]*>(.*?)</td>", rows["XXX"]) == ["0", "0", "-"]


def test_pictures_that_are_there_are_shown_as_images(office: Office, researcher: Browser) -> None:
    run, folder = enter_whole_run(office)
    page = researcher.get(f"/models/{run}").text
    assert f'<img src="/models/{run}/files/curves.svg"' in page
    assert "reliability.svg" not in page  # it was not drawn
    assert "<svg" not in page
    answer = researcher.get(f"/models/{run}/files/curves.svg")
    assert answer.content == (folder / "curves.svg").read_bytes()
    assert answer.headers["content-type"].startswith("image/svg+xml")
    assert "script-src" not in answer.headers["content-security-policy"]
    assert "sandbox" in answer.headers["content-security-policy"]
    assert researcher.get(f"/models/{run}/files/classes.csv").text.splitlines()[1] == "NSH,8,6"


def test_a_script_gets_them_too(office: Office) -> None:
    run, folder = enter_whole_run(office)
    script = Script(office, Role.RESEARCHER)
    answer = script.client.get(f"/api/models/{run}/files/curves.svg", headers=script.headers)
    assert answer.content == (folder / "curves.svg").read_bytes()


@pytest.mark.parametrize("name", ["model.onnx", "metrics.json", "reliability.svg", "..%2Fmlflow.db"])
def test_nothing_else_of_the_folder_is_served(office: Office, researcher: Browser, name: str) -> None:
    run, _ = enter_whole_run(office)
    assert researcher.get(f"/models/{run}/files/{name}").status_code == 404


def test_pictures_are_for_researchers(office: Office) -> None:
    run, _ = enter_whole_run(office)
    assert office.role(Role.TECHNICIAN).get(f"/models/{run}/files/curves.svg").status_code in (403, 404)


def test_the_command_names_the_tracking_file_where_there_is_one(office: Office, researcher: Browser) -> None:
    run, folder = enter_whole_run(office)
    command = f"mlflow ui --backend-store-uri sqlite:///{folder.parent.resolve()}/mlflow.db"
    assert command in researcher.get(f"/models/{run}").text
    (folder.parent / "mlflow.db").unlink()
    assert "mlflow ui" not in researcher.get(f"/models/{run}").text


@pytest.mark.parametrize(("views", "is_held"), [({}, False), ({"dull": False}, False), ({"dull": True}, True)])
def test_a_model_without_rules_on_views_says_so(
    office: Office, researcher: Browser, views: dict[str, bool], is_held: bool
) -> None:
    told = {reason: {"views": 20, "found": 18, "is_used": used} for reason, used in views.items()}
    run, _ = enter_whole_run(office, **({"views": told} if told else {}))
    assert (NO_VIEWS in researcher.get(f"/models/{run}").text) != is_held


def test_the_run_behind_cutoffs_is_found(office: Office, tmp_path: Path) -> None:
    scores = enter_scores(office, tmp_path)
    cutoffs = Made(id="c" * 12, kind="cutoffs", title="c", path="c", sources={"scores": scores}, facts={}, who="t")
    with office.server.sessions() as db:
        run = run_behind(db, cutoffs)
        assert run is not None
        assert run.id == "a" * 12
        assert not holds_views(run)
        assert run_behind(db, Made(sources={"scores": "none"}, facts={})) is None


def test_a_release_says_so_too(office: Office, researcher: Browser, tmp_path: Path) -> None:
    begin(researcher)
    address = f"/releases/{propose(researcher, calibrated(office, researcher, tmp_path))}"
    engineer = office.role(Role.ENGINEER)
    assert NO_VIEWS in engineer.get(address).text
    with office.server.sessions.begin() as db:
        run = db.get_one(Made, "a" * 12)
        run.facts = {**run.facts, "metrics": {"views": {"dull": {"is_used": True}}}}
    assert NO_VIEWS not in engineer.get(address).text
