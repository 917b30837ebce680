"""Who may put what in service: local and safe, stricter at once, looser with two signatures, tightening one way."""

from __future__ import annotations

import math
import shutil
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from passage_cv.cli import gate_run
from passage_cv.cli.gate import app
from passage_cv.config import configs_folder
from passage_cv.decision.cutoffs_file import read_cutoffs, write_cutoffs
from passage_cv.errors import InputError
from passage_cv.gate.runtime import GateDecision, open_package
from passage_cv.gate.signature import sign_package
from passage_cv.gate.site import Site, read_site
from passage_cv.records import Action
from passage_cv.service.controller import Controller
from passage_cv.service.loading import (
    InService,
    describe_package,
    in_service,
    note_load,
    note_tighten,
    require_local_and_safe,
    restrict,
    signatures_needed,
)
from passage_cv.service.log import GateLog
from passage_cv.service.machine import Fault, State
from passage_cv.service.plant import PlantState, Position
from tests.gate_world import build_world
from tests.service.river import River, SimulatedPlant, make_clock

NOW = InService("a" * 64, u=-1.0, v=2.0, rest="r")
CUTOFFS = st.floats(-50, 50) | st.sampled_from([-math.inf, math.inf])


@pytest.mark.parametrize(
    ("said", "found"),
    [
        (PlantState(is_remote=True), "in remote mode at position safe"),
        (PlantState(is_remote=False, is_off=True), "in off mode at position safe"),
        (PlantState(is_remote=False, position=Position.PASS), "in local mode at position pass"),
        (PlantState(is_remote=False, position=Position.UNKNOWN), "in local mode at position unknown"),
        (PlantState(is_remote=False, is_alive=False), "not answering"),
    ],
)
def test_packages_load_only_in_local_mode_at_the_safe_position(said: PlantState, found: str) -> None:
    with pytest.raises(InputError, match=f"Plant is {found}"):
        require_local_and_safe(said, "site")


def test_the_safe_position_in_local_mode_is_fine() -> None:
    require_local_and_safe(PlantState(is_remote=False), "site")


@given(u=CUTOFFS, v=CUTOFFS, at_site=st.sampled_from([1, 2]))
def test_anything_looser_needs_two_signatures(u: float, v: float, at_site: int) -> None:
    is_looser = u > NOW.u or v < NOW.v
    assert signatures_needed(replace(NOW, u=u, v=v), NOW, at_site) == (2 if is_looser else at_site)


def test_another_rule_and_the_first_package_need_two_signatures() -> None:
    assert signatures_needed(replace(NOW, rest="other", u=-9.0), NOW, 1) == 2
    assert signatures_needed(replace(NOW, u=-math.inf, v=math.inf), None, 1) == 2


@given(tightenings=st.lists(st.tuples(st.none() | CUTOFFS, st.none() | CUTOFFS), max_size=6))
def test_tightening_only_ever_allows_less(tightenings: list[tuple[float | None, float | None]]) -> None:
    with GateLog(Path(":memory:")) as log:
        note_load(log, NOW, hours="always", time="now", by="TBO")
        before = NOW
        for u, v in tightenings:
            note_tighten(log, u=u, v=v, because="audit alarm", time="now", by="ELQ")
            after = in_service(log.events_since(), hours="always")
            assert after is not None
            assert after.allows_no_more_than(before)
            assert after.u == min(
                [NOW.u, *(one for one, _ in tightenings[: tightenings.index((u, v)) + 1] if one is not None), after.u]
            )
            before = after


def test_a_new_package_ends_what_was_tightened(tmp_path: Path) -> None:
    with GateLog(tmp_path / "gate.sqlite") as log:
        assert in_service(log.events_since(), hours="always") is None
        note_load(log, NOW, hours="always", time="now", by="TBO")
        note_tighten(log, u=-math.inf, v=None, because="audit alarm", time="now", by="NSH")
        assert in_service(log.events_since(), hours="always") == replace(NOW, u=-math.inf, because="audit alarm")
        note_load(log, replace(NOW, package_id="b" * 64), hours="always", time="now", by="TBO")
        assert in_service(log.events_since(), hours="always") == replace(NOW, package_id="b" * 64)
        assert in_service(log.events_since(), hours="attended") is None


@pytest.mark.parametrize(
    ("action", "score", "now", "expected"),
    [
        (Action.PASS, -2.0, replace(NOW, u=-1.5), Action.PASS),
        (Action.PASS, -1.5, replace(NOW, u=-1.5, because="audit alarm"), Action.HOLD),
        (Action.PASS, -9.0, replace(NOW, u=-math.inf, because="audit alarm"), Action.HOLD),
        (Action.REJECT, 2.5, replace(NOW, v=2.5, because="audit alarm"), Action.HOLD),
        (Action.REJECT, 3.0, replace(NOW, v=2.5), Action.REJECT),
        (Action.NO_DECISION, math.nan, replace(NOW, u=-math.inf, v=math.inf), Action.NO_DECISION),
    ],
)
def test_what_is_no_longer_allowed_is_held_and_says_why(
    action: Action, score: float, now: InService, expected: Action
) -> None:
    made = GateDecision(action, score, "by score", "", np.zeros((0, 5), np.float32), (), 1.0)
    after = restrict(made, now)
    assert after.action is expected
    assert after.hold_reason == ("audit alarm" if expected is Action.HOLD else "")


# Whole packages through the controller


def make_site() -> Site:
    return read_site(configs_folder() / "site" / "kettleback.toml").model_copy(update={"setup_id": "demo-setup"})


def repacked(folder: Path, keys: Path, *, signers: int, **cutoffs: float | None) -> Path:
    world = build_world(folder)
    write_cutoffs(read_cutoffs(world.cutoffs).model_copy(update=cutoffs), world.cutoffs)
    package = world.pack(folder / "package")
    for name in ("TBO", "RKV")[:signers]:
        sign_package(package, keys / f"{name}.key")
    return package


def start(package: Path, keys: Path | None, log: GateLog) -> Controller:
    controller = Controller(package, make_site(), log, SimulatedPlant(), make_clock(), keys=keys)
    controller.start(by="TBO")
    return controller


def test_stricter_needs_one_signature_and_looser_two(package: Path, keys: Path, tmp_path: Path) -> None:
    plain = open_package(package).cutoffs
    assert plain.u is not None
    stricter = repacked(tmp_path / "stricter", keys, signers=1, u=plain.u - 1.0)
    looser = repacked(tmp_path / "looser", keys, signers=1, u=plain.u - 0.5)
    with GateLog(tmp_path / "gate.sqlite") as log:
        start(package, keys, log).end(by="TBO")
        controller = start(stricter, keys, log)
        assert controller.machine.state is State.SELF_TEST
        controller.end(by="TBO")
        controller = start(looser, keys, log)
        assert controller.machine.fault is Fault.SELF_TEST
        assert "Signed by TBO; 2 of" in log.events()[-1][2]
        controller.reset(by="TBO")
        sign_package(looser, keys / "RKV.key")
        assert start(looser, keys, log).machine.state is State.SELF_TEST
        now = in_service(log.events_since(), hours="always")
        assert now == describe_package(open_package(looser))


def test_the_package_before_is_the_way_back(package: Path, keys: Path, tmp_path: Path) -> None:
    stricter = repacked(tmp_path / "stricter", keys, signers=1, u=-7.0)
    with GateLog(tmp_path / "gate.sqlite") as log:
        for one in (package, stricter, package):
            start(one, keys, log).end(by="TBO")
        loads = [event for event in log.events_since() if event.kind == "load"]
        assert len(loads) == 3
        assert in_service(loads, hours="always") == describe_package(open_package(package))


def test_a_looser_package_with_one_signature_is_refused_on_the_command_line(
    package: Path, keys: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gate_run, "ModbusPlant", lambda *_: nullcontext(SimulatedPlant()))
    site, frames = tmp_path / "site.toml", tmp_path / "frames"
    stricter = repacked(tmp_path / "stricter", keys, signers=2, u=-7.0)
    looser = repacked(tmp_path / "looser", keys, signers=1, u=-6.0)
    text = (configs_folder() / "site" / "kettleback.toml").read_text()
    site.write_text(text.replace('"KBW-2"', '"demo-setup"'))
    frames.mkdir()
    (frames / "1.png").write_bytes(River().empty()[0])
    command = ["--frames", str(frames), "--site", str(site), "--log", str(tmp_path / "gate.sqlite"), "--by", "TBO"]
    command += ["--keys", str(keys), "--live", "--wait", "0"]
    assert CliRunner().invoke(app, ["run", str(stricter), *command]).exit_code == 0
    refused = CliRunner().invoke(app, ["run", str(looser), *command])
    assert refused.exit_code == 1
    assert "self-test not passed" in refused.output
    with GateLog(tmp_path / "gate.sqlite") as log:
        assert "Signed by TBO; 2 of" in log.events()[-1][2]
        assert in_service(log.events_since(), hours="always") == describe_package(open_package(stricter))


def test_a_package_as_strict_as_before_does_not_lift_an_alarm_with_one_signature(
    package: Path, keys: Path, tmp_path: Path
) -> None:
    again = repacked(tmp_path / "again", keys, signers=1, author="RKV")  # type: ignore[arg-type]
    with GateLog(tmp_path / "gate.sqlite") as log:
        start(package, keys, log).end(by="TBO")
        note_tighten(log, u=-math.inf, v=None, because="audit alarm", time="now", by="NSH")
        assert start(again, keys, log).machine.fault is Fault.SELF_TEST


def test_a_gate_that_commands_needs_keys(package: Path, tmp_path: Path) -> None:
    with GateLog(tmp_path / "gate.sqlite") as log:
        controller = start(package, None, log)
        assert controller.machine.fault is Fault.SELF_TEST
        assert "No trusted keys were given" in log.events()[-1][2]


def test_a_run_that_was_cut_off_is_not_started_again_by_itself(package: Path, keys: Path, tmp_path: Path) -> None:
    path = tmp_path / "gate.sqlite"
    with GateLog(path) as log:
        start(package, keys, log)  # and then the power goes
    with GateLog(path) as log, pytest.raises(InputError, match=r"The run that TBO started at .* was cut off"):
        start(package, keys, log)
    done = CliRunner().invoke(app, ["reset", str(path), "--by", "RKV", "--found", "breaker had tripped"])
    assert done.exit_code == 0, done.output
    with GateLog(path) as log:
        start(package, keys, log)


def test_a_fault_is_not_forgotten_by_the_next_process(package: Path, keys: Path, tmp_path: Path) -> None:
    own = Path(shutil.copytree(package, tmp_path / "own"))
    with GateLog(tmp_path / "gate.sqlite") as log:
        (own / "policy.toml").write_text("")
        start(own, keys, log).end(by="TBO")  # a fault has no end
        with pytest.raises(InputError, match=r"ended in a fault .self-test not passed"):
            start(package, keys, log)


def test_tighten_on_the_command_line(package: Path, keys: Path, tmp_path: Path) -> None:
    path = tmp_path / "gate.sqlite"
    with GateLog(path) as log:
        start(package, keys, log)
    for more in (["--pass-below", "-7"], ["--reject-nothing"]):
        done = CliRunner().invoke(app, ["tighten", str(path), "--by", "ELQ", *more])
        assert done.exit_code == 0, done.output
    assert "passes below -7, rejects above inf" in done.output
    done = CliRunner().invoke(app, ["tighten", str(path), "--by", "ELQ", "--pass-below", "9"])
    assert "That is no stricter: passes below -7" in str(done.exception)
    with GateLog(path) as log:
        now = in_service(log.events_since(), hours="always")
    assert now is not None
    assert (now.u, now.v, now.because) == (-7.0, math.inf, "stricter by a person")
    assert CliRunner().invoke(app, ["tighten", str(path), "--by", "ELQ"]).exit_code != 0
