"""The state machine: what may follow what, and that nothing starts by itself."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.errors import InputError
from passage_cv.gate.codes import REASON_CODES
from passage_cv.service.machine import LATCHING, STATE_CODES, Fault, Machine, State


def ready() -> Machine:
    return Machine().start(shadow=False).pass_self_test()


def test_the_way_to_work() -> None:
    machine = Machine()
    assert (machine.state, machine.may_command, machine.decides) == (State.OFF, False, False)
    machine = machine.start(shadow=False)
    assert (machine.state, machine.may_command) == (State.SELF_TEST, False)
    machine = machine.pass_self_test()
    assert (machine.state, machine.may_command, machine.decides) == (State.READY, True, True)


def test_a_shadow_decides_and_never_commands() -> None:
    machine = Machine().start(shadow=True).pass_self_test()
    assert (machine.state, machine.may_command, machine.decides) == (State.SHADOW, False, True)


@pytest.mark.parametrize("fault", sorted(LATCHING))
def test_a_fault_latches_until_a_person_resets(fault: Fault) -> None:
    machine = ready().fail(fault)
    assert (machine.state, machine.fault) == (State.FAULT, fault)
    assert machine.fail(Fault.CLOCK).fault is fault  # the first one stays named
    assert machine.tick(1e9) == machine
    for step in (lambda: machine.start(shadow=False), machine.pass_self_test, lambda: machine.bypass(1.0)):
        with pytest.raises(InputError):
            step()
    assert machine.reset() == Machine()


@pytest.mark.parametrize("fault", sorted(frozenset(Fault) - LATCHING))
def test_what_concerns_one_fish_does_not_latch(fault: Fault) -> None:
    assert ready().fail(fault) == ready()


def test_a_bypass_runs_out_to_off() -> None:
    machine = ready().bypass(100.0)
    assert (machine.state, machine.may_command, machine.decides) == (State.BYPASS, False, False)
    assert machine.tick(99.9) == machine
    assert machine.tick(100.0) == Machine()


@given(st.lists(st.sampled_from(["self-test", "tick", "bypass", *sorted(Fault)]), max_size=30))
def test_nothing_but_a_start_leads_from_off_and_fault_to_work(events: list[str]) -> None:
    for machine in (Machine(), ready().fail(Fault.CLOCK)):
        after = machine
        for event in events:
            try:
                after = {
                    "self-test": after.pass_self_test,
                    "tick": lambda m=after: m.tick(1e9),
                    "bypass": lambda m=after: m.bypass(1e10),
                }.get(event, lambda m=after, e=event: m.fail(Fault(e)))()
            except InputError:
                continue
        assert after == machine


def test_every_fault_has_a_reason_code_of_its_own() -> None:
    codes = [REASON_CODES[fault.value] for fault in Fault]
    assert len(set(codes)) == len(codes)
    assert min(codes) >= 30
    assert sorted(STATE_CODES.values()) == list(range(6))
