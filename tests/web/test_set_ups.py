"""A researcher copies a training set-up, changes it, hands it in under a new name and trains with it."""

from __future__ import annotations

import pytest

from passage_cv.recognition.settings import TrainSettings
from passage_cv.recognition.tuned_settings import TunedSettings
from passage_cv.web.people import Role
from passage_cv.web.set_ups import keep_set_up, shipped
from tests.web.conftest import Browser, Office
from tests.web.fingerprint import nothing_changes
from tests.web.script import Script
from tests.web.test_research import begin

TUNED, QUICK = (shipped()[name].read_text(encoding="utf-8") for name in ("tuned", "quick"))
SHORT = TUNED.replace("epochs = 60", "epochs = 20")


@pytest.fixture
def researcher(office: Office) -> Browser:
    return office.role(Role.RESEARCHER)


def test_the_text_of_a_set_up_is_shown_to_be_copied(researcher: Browser) -> None:
    answer = researcher.get("/models/set-ups/tuned")
    assert answer.text == TUNED
    assert answer.headers["content-type"].startswith("text/plain")
    assert researcher.get("/models/set-ups/..%2Fpolicy%2Fdemo").status_code == 404


def test_a_changed_one_is_kept_offered_and_trained_with(office: Office, researcher: Browser) -> None:
    begin(researcher)
    assert researcher.post("/models/set-ups", name="tuned-short", text=SHORT).status_code == 303
    assert researcher.get("/models/set-ups/tuned-short").text == SHORT
    assert researcher.post("/models", config="tuned-short", policy="spring").status_code == 303
    assert office.role(Role.TECHNICIAN).post("/models/set-ups", name="other", text=SHORT).status_code == 403
    script = Script(office, Role.RESEARCHER)
    assert script.get("/api/models/set-ups")["handed_in"] == ["tuned-short"]
    text = script.client.get("/api/models/set-ups/tuned-short", headers=script.headers)
    assert (text.text, text.status_code) == (SHORT, 200)
    assert script.post("/api/models/set-ups", name="quick-9", text=QUICK)["handed_in"] == ["quick-9", "tuned-short"]


def test_its_kind_is_read_from_its_text(office: Office) -> None:
    assert isinstance(keep_set_up(office.settings, "a", TUNED), TunedSettings)
    assert isinstance(keep_set_up(office.settings, "b", QUICK), TrainSettings)


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("tuned", SHORT, "of this name is there"),
        ("../tuned", SHORT, "cannot be used"),
        ("", SHORT, "cannot be used"),
        ("short", "= no toml", "not TOML"),
        ("short", SHORT + "\nunheard_of = 1\n", "unheard_of"),
        ("short", SHORT.replace("epochs = 20", "epochs = -1"), "epochs"),
        ("short", SHORT.replace('weights = "package"', 'weights = "/etc/passwd"'), "First weights"),
    ],
    ids=["taken", "path", "nameless", "no toml", "unknown key", "out of range", "a file of the server"],
)
def test_what_is_no_new_set_up_is_refused(
    office: Office, researcher: Browser, name: str, text: str, says: str
) -> None:
    with nothing_changes(office):
        answer = researcher.post("/models/set-ups", name=name, text=text)
    assert answer.status_code == 422
    assert says in answer.text


def test_it_never_changes_under_its_name(researcher: Browser) -> None:
    assert researcher.post("/models/set-ups", name="short", text=SHORT).status_code == 303
    assert researcher.post("/models/set-ups", name="short", text=TUNED).status_code == 422
    assert researcher.get("/models/set-ups/short").text == SHORT
