"""Every training set-up that the page offers can be trained, and the one chosen beforehand needs no card."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from passage_cv.recognition.settings import TrainSettings
from passage_cv.recognition.train import TrainSummary
from passage_cv.recognition.tuned_settings import TunedSettings
from passage_cv.web.jobs import Work
from passage_cv.web.people import Role
from passage_cv.web.set_ups import shipped
from passage_cv.web.tables import Job
from passage_cv.web.tasks import training
from tests.batches import trip_rows, write_batch
from tests.web.conftest import Office
from tests.web.test_research import accept, begin


class _Reached(Exception):
    """Training was begun."""


@pytest.mark.parametrize("name", ["quick", "tuned", "many"])
def test_every_set_up_reaches_the_training(
    office: Office, name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begin(office.role(Role.RESEARCHER))
    accept(office, write_batch(tmp_path / "trip-1", trip_rows("T1", 4)))
    seen: list[object] = []

    def reached(settings: object, *_args: object, **_named: object) -> None:
        seen.append(settings)
        raise _Reached

    monkeypatch.setattr(training, "train_model", reached)
    given = {"config": name, "policy": "spring", "version": "latest"}
    job = Job(id="e" * 12, kind="train", subject="training", given=given, who="t")
    with pytest.raises(_Reached):
        training.train(Work(job, office.settings, office.server.sessions))
    assert isinstance(seen[0], TrainSettings if name == "quick" else TunedSettings)


def test_two_trainings_of_one_set_up_and_version_are_told_apart(
    office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    researcher = office.role(Role.RESEARCHER)
    begin(researcher)
    accept(office, write_batch(tmp_path / "trip-1", trip_rows("T1", 4)))
    hashes = iter(("1a2b3c4d" * 8, "5e6f7a8b" * 8))

    def trained(_settings: object, _store: object, _version: object, out: Path, **_named: object) -> TrainSummary:
        out.mkdir()
        return TrainSummary(out, next(hashes), ("NSH", "AMS"), {})

    monkeypatch.setattr(training, "train_model", trained)
    for _ in range(2):
        researcher.post("/models", config="quick", policy="spring", version="latest")
    office.work()
    runs = {str(run["title"]): str(run["id"]) for run in researcher.get("/api/things?kind=run").json()}
    assert sorted(title.rpartition(", ")[2] for title in runs) == ["1a2b3c4d", "5e6f7a8b"]
    first, second = runs.values()
    options = re.findall(r'<option value="(\w+)">([^<]+)</option>', researcher.get(f"/models/{first}").text)
    assert [(one, title.rpartition(", ")[0]) for one, title in options] == [
        (second, next(title for title, one in runs.items() if one == second))
    ]


def test_quick_is_chosen_and_each_set_up_says_its_time(office: Office, tmp_path: Path) -> None:
    researcher = office.role(Role.RESEARCHER)
    begin(researcher)
    accept(office, write_batch(tmp_path / "trip-1", trip_rows("T1", 4)))
    page = researcher.get("/models").text
    assert re.findall(r'<option value="(\w+)" selected>', page) == ["quick"]
    for name in shipped():
        assert re.search(rf'<dt><a href="/models/set-ups/{name}">{name}</a></dt><dd>(Minutes|Hours)', page)
