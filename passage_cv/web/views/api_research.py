"""The researcher's work as JSON: train, compare, score, set cutoffs, try other demands, report, propose."""

from __future__ import annotations

from passage_cv.web import research as rules
from passage_cv.web.ask import Asking
from passage_cv.web.set_ups import keep_set_up as keep
from passage_cv.web.set_ups import shipped, training_set_ups
from passage_cv.web.views.api_records import Id, Started
from passage_cv.web.views.api_work_records import Calibration, NewSetUp, Pair, SetUps, Training
from passage_cv.web.views.research import find


def set_ups(ask: Asking) -> SetUps:
    """The training set-ups: those of the program, and those that were handed in."""
    own = shipped()
    found = training_set_ups(ask.server.settings)
    return SetUps(shipped=list(own), handed_in=[name for name in found if name not in own])


def keep_set_up(ask: Asking, new: NewSetUp) -> SetUps:
    """Hand in a changed training set-up under a new name."""
    keep(ask.server.settings, new.name, new.text)
    ask.did("handed in training set-up", new.name)
    return set_ups(ask)


def train(ask: Asking, new: Training) -> Started:
    """Start a training."""
    job = rules.start_training(ask.db, ask.server.settings, ask.person.name, **new.model_dump())
    ask.did("asked for training", f"{new.config} on {new.version}")
    return Started(job=job.id)


def compare(ask: Asking, new: Pair) -> Started:
    """Compare two runs on the fish both learnt from."""
    one, two = find(ask, "run", new.first), find(ask, "run", new.second)
    job = rules.start_comparison(ask.db, one, two, ask.person.name)
    ask.did("asked for comparison", f"{one.title} / {two.title}")
    return Started(job=job.id)


def score(ask: Asking, made_id: Id) -> Started:
    """Score a run."""
    run = find(ask, "run", made_id)
    job = rules.start_scoring(ask.db, run, ask.person.name)
    ask.did("asked for scores", run.title)
    return Started(job=job.id)


def calibrate(ask: Asking, new: Calibration) -> Started:
    """Set cutoffs; the look at role ``cut`` goes into the ledger."""
    made = find(ask, "scores", new.scores)
    job = rules.start_calibration(ask.db, ask.server.settings, made, new.policy, ask.person.name)
    ask.did("asked for cutoffs", f"{made.title} under {new.policy}")
    return Started(job=job.id)


def try_out(ask: Asking, new: Calibration) -> Started:
    """Ask what other demands would come to; reads role ``train`` alone and costs no attempt."""
    made = find(ask, "scores", new.scores)
    job = rules.start_trial(ask.db, ask.server.settings, made, new.policy, ask.person.name)
    ask.did("asked for what-if", f"{made.title} under {new.policy}")
    return Started(job=job.id)


def evaluate(ask: Asking, made_id: Id) -> Started:
    """Write the report of cutoffs; the look at role ``test`` goes into the ledger."""
    made = find(ask, "cutoffs", made_id)
    job = rules.start_evaluation(ask.db, made, ask.person.name)
    ask.did("asked for report", made.title)
    return Started(job=job.id)
