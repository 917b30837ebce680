"""Every route of the application: address, view, and who may use it. There is no other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from passage_cv.web.people import ADMINISTRATOR, ANYONE, DATA, ENGINEER, GATE, RESEARCHER, SIGNED_IN, TECHNICIAN, Who
from passage_cv.web.views import account, api, batches, findings, gate, models, pairing, readings, research, upload


@dataclass(frozen=True, slots=True)
class Route:
    """One address; ``who`` is the set of roles of which one is needed."""

    method: str
    path: str
    view: Callable[..., Any]
    who: Who


ROUTES = (
    Route("GET", "/", account.home, ANYONE),
    Route("GET", "/sign-in", account.sign_in_form, ANYONE),
    Route("POST", "/sign-in", account.sign_in, ANYONE),
    Route("GET", "/join/{secret}", account.join_form, ANYONE),
    Route("POST", "/join/{secret}", account.join, ANYONE),
    Route("POST", "/sign-out", account.sign_out, SIGNED_IN),
    Route("GET", "/account", account.account, SIGNED_IN),
    Route("POST", "/account/initials", account.keep_initials, SIGNED_IN),
    Route("POST", "/account/tokens", account.make_token, SIGNED_IN),
    Route("POST", "/account/tokens/end", account.end_token, SIGNED_IN),
    Route("GET", "/people", account.people, ADMINISTRATOR),
    Route("POST", "/people", account.invite, ADMINISTRATOR),
    Route("POST", "/people/{user_id}", account.switch, ADMINISTRATOR),
    Route("GET", "/deeds", account.deeds, ADMINISTRATOR),
    # the technician
    Route("GET", "/batches", batches.batch_list, DATA),
    Route("GET", "/batches/new", batches.batch_form, TECHNICIAN),
    Route("POST", "/batches", batches.start, TECHNICIAN),
    Route("GET", "/batches/{batch_id}", batches.show, DATA),
    Route("GET", "/batches/{batch_id}/received", batches.received, TECHNICIAN),
    Route("POST", "/batches/{batch_id}/check", batches.check, TECHNICIAN),
    Route("POST", "/batches/{batch_id}/accept", batches.accept, TECHNICIAN),
    Route("POST", "/batches/{batch_id}/aside", batches.set_aside, TECHNICIAN),
    Route("POST", "/batches/{batch_id}/take-up", batches.take_up, TECHNICIAN),
    Route("GET", "/batches/{batch_id}/findings", findings.findings, DATA),
    Route("GET", "/batches/{batch_id}/findings.csv", findings.findings_csv, DATA),
    Route("POST", "/batches/{batch_id}/decisions", findings.decide, TECHNICIAN),
    Route("POST", "/batches/{batch_id}/decisions/{decision_id}/undo", findings.undo, TECHNICIAN),
    Route("POST", "/batches/{batch_id}/proposals", findings.accept_proposals, TECHNICIAN),
    Route("GET", "/batches/{batch_id}/columns", findings.column_page, DATA),
    Route("POST", "/batches/{batch_id}/columns", findings.confirm_columns, TECHNICIAN),
    Route("GET", "/batches/{batch_id}/pairing", pairing.timeline, DATA),
    Route("POST", "/batches/{batch_id}/pairing", pairing.edit, TECHNICIAN),
    Route("POST", "/batches/{batch_id}/pairing/undo", pairing.undo, TECHNICIAN),
    Route("POST", "/batches/{batch_id}/pairing/confirm", pairing.confirm, TECHNICIAN),
    Route("POST", "/batches/{batch_id}/pairing/anew", pairing.begin_anew, TECHNICIAN),
    Route("GET", "/batches/{batch_id}/thumbnails/{name:path}", pairing.thumbnail, DATA),
    Route("POST", "/batches/{batch_id}/facts", batches.change_facts, TECHNICIAN),
    Route("GET", "/batches/{batch_id}/pictures/{name:path}", batches.picture, DATA),
    Route("GET", "/batches/{batch_id}/receipt", batches.receipt, DATA),
    Route("OPTIONS", "/uploads", upload.capabilities, TECHNICIAN),
    Route("POST", "/uploads", upload.create, TECHNICIAN),
    Route("HEAD", "/uploads/{upload_id}", upload.offset, TECHNICIAN),
    Route("PATCH", "/uploads/{upload_id}", upload.append, TECHNICIAN),
    Route("DELETE", "/uploads/{upload_id}", upload.give_up, TECHNICIAN),
    Route("GET", "/readings", readings.next_fish, DATA),
    Route("POST", "/readings", readings.read, DATA),
    Route("GET", "/readings/agreement", readings.agree, RESEARCHER),
    Route("GET", "/pictures/{sha256}", readings.picture, DATA),
    # the researcher
    Route("GET", "/data", research.data, RESEARCHER),
    Route("POST", "/data", research.begin_data, RESEARCHER),
    Route("GET", "/data/{name}", research.version, RESEARCHER),
    Route("GET", "/data/{name}/since/{older}", research.version_diff, RESEARCHER),
    Route("GET", "/data/{name}/cover", research.cover, RESEARCHER),
    Route("GET", "/data/{name}/leaks", research.leaks, RESEARCHER),
    Route("GET", "/ledger", research.ledger, RESEARCHER),
    Route("GET", "/policies", research.policies, GATE),
    Route("POST", "/policies", research.keep_policy, RESEARCHER),
    Route("GET", "/models", research.models, RESEARCHER),
    Route("POST", "/models", research.train, RESEARCHER),
    Route("GET", "/models/compare/{made_id}", models.comparison, RESEARCHER),
    Route("POST", "/models/compare", models.compare, RESEARCHER),
    Route("GET", "/models/{made_id}", models.run, RESEARCHER),
    Route("POST", "/models/{made_id}/score", research.score, RESEARCHER),
    Route("GET", "/cutoffs", research.cutoffs, GATE),
    Route("POST", "/cutoffs", research.calibrate, RESEARCHER),
    Route("POST", "/cutoffs/try", models.try_out, RESEARCHER),
    Route("GET", "/cutoffs/try/{made_id}", models.trial, RESEARCHER),
    Route("GET", "/cutoffs/{made_id}", research.cutoffs_page, GATE),
    Route("POST", "/cutoffs/{made_id}/evaluate", research.evaluate, RESEARCHER),
    Route("POST", "/cutoffs/{made_id}/propose", gate.propose, RESEARCHER),
    Route("GET", "/reports/{made_id}/{name:path}", research.report, GATE),
    Route("GET", "/jobs", research.job_list, SIGNED_IN),
    Route("GET", "/jobs/{job_id}", research.job, SIGNED_IN),
    Route("GET", "/jobs/{job_id}/state", research.job_state, SIGNED_IN),
    Route("GET", "/jobs/{job_id}/log", research.job_log, SIGNED_IN),
    Route("POST", "/jobs/{job_id}/stop", research.cancel, SIGNED_IN),
    # the engineer
    Route("GET", "/releases", gate.release_list, GATE),
    Route("GET", "/releases/{release_id}", gate.release, GATE),
    Route("POST", "/releases/{release_id}/answer", gate.answer, ENGINEER),
    Route("POST", "/releases/{release_id}/pack", gate.pack, ENGINEER),
    Route("POST", "/releases/{release_id}/verify", gate.verify, ENGINEER),
    Route("GET", "/releases/{release_id}/package.zip", gate.download, ENGINEER),
    Route("POST", "/releases/{release_id}/service", gate.put_into_service, ENGINEER),
    Route("GET", "/service", gate.service, GATE),
    Route("POST", "/service/log", gate.hand_in_log, ENGINEER),
    Route("GET", "/service/status/{made_id}", gate.status, GATE),
    Route("POST", "/service/back", gate.roll_back, ENGINEER),
    # scripts
    Route("GET", "/api/me", api.me, SIGNED_IN),
    Route("GET", "/api/batches", api.batch_list, DATA),
    Route("POST", "/api/batches", api.start_batch, TECHNICIAN),
    Route("GET", "/api/batches/{batch_id}", api.batch, DATA),
    Route("GET", "/api/batches/{batch_id}/findings", api.findings, DATA),
    Route("POST", "/api/batches/{batch_id}/decisions", api.decide, TECHNICIAN),
    Route("POST", "/api/batches/{batch_id}/check", api.check, TECHNICIAN),
    Route("POST", "/api/batches/{batch_id}/accept", api.accept, TECHNICIAN),
    Route("GET", "/api/jobs/{job_id}", api.job, SIGNED_IN),
    Route("POST", "/api/jobs/{job_id}/stop", api.cancel, SIGNED_IN),
    Route("GET", "/api/versions", api.versions, RESEARCHER),
    Route("GET", "/api/versions/{name}", api.version, RESEARCHER),
    Route("GET", "/api/ledger", api.ledger, RESEARCHER),
    Route("GET", "/api/things", api.things, RESEARCHER),
    Route("POST", "/api/models", api.train, RESEARCHER),
    Route("POST", "/api/models/{made_id}/score", api.score, RESEARCHER),
    Route("POST", "/api/cutoffs", api.calibrate, RESEARCHER),
    Route("POST", "/api/cutoffs/{made_id}/evaluate", api.evaluate, RESEARCHER),
    Route("POST", "/api/cutoffs/{made_id}/propose", api.propose, RESEARCHER),
    Route("GET", "/api/releases", api.release_list, GATE),
    Route("POST", "/api/releases/{release_id}/answer", api.answer, ENGINEER),
    Route("GET", "/api/service", api.service, GATE),
)
