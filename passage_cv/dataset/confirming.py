"""Look-alikes in ``cut`` and ``test`` only where a second look confirms them: an amendment that can be repeated.

A site's policy may ask for it, class by class. What is not confirmed is excluded, with the reason; what was
left out for this reason and is confirmed by now gets back the role its unit drew. Scores are never looked at.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Protocol

from passage_cv.dataset.blind import UNCONFIRMED
from passage_cv.dataset.facts import Amendment, put_fact
from passage_cv.dataset.readings import confirmed_individuals, readings_of
from passage_cv.dataset.store import Store
from passage_cv.dataset.tables import tuples
from passage_cv.dataset.versions import Version, VersionRecord, commit, next_record, open_version
from passage_cv.errors import InputError

_COLUMNS = ("image_sha256", "individual", "scientificName", "role", "unit_role", "excluded_reason")
_AUDITED = ("cut", "test")


class Asking(Protocol):
    """What asks for confirmed fish: a policy, or the cutoffs that were set under one."""

    @property
    def site(self) -> str:
        """Whose it is."""

    @property
    def confirmed_only(self) -> tuple[str, ...]:
        """Codes of the classes of which only confirmed individuals count."""


def keep_confirmed(
    store: Store, classes: Iterable[str], *, author: str, why: str, at: datetime | None = None
) -> Version | None:
    """Let ``cut`` and ``test`` of some classes hold confirmed fish only, from a new version on.

    Parameters
    ----------
    store
        Whose newest version is amended, with the readings kept so far.
    classes
        Scientific names of the look-alikes.
    author, why
        Who decides, and the reason; both needed.
    at
        When; now by default.

    Returns
    -------
    Version or None
        None where nothing had to change.

    Raises
    ------
    InputError
        If author or reason is missing, or no class is named.
    """
    names = set(classes)
    if not author.strip() or not why.strip() or not names:
        raise InputError(
            "Keeping confirmed fish needs classes, an author and a reason", where=store.storage.root, do="Give all."
        )
    asked = Amendment(kind="confirm", author=author, at=(at or datetime.now(UTC)).isoformat(), why=why)
    readings = readings_of(store)

    def make(before: Version | None) -> VersionRecord | None:
        if before is None:
            raise InputError("Store has no version yet", where=store.storage.root, do="Accept a first batch.")
        decided = _decided(before, confirmed_individuals(before, readings), names, asked)
        if not decided.excluded and not decided.lifted:
            return None
        said = f"confirm: {len(decided.excluded)} images out, {len(decided.lifted)} back: {why}"
        return next_record(before, store, fact=put_fact(store, decided), author=author, at=asked.at, reason=said)

    return commit(store, make)


def require_confirmed(store: Store, asking: Asking, labels: Mapping[str, str]) -> None:
    """Refuse individuals that a site's policy wants confirmed and nobody has; no score is looked at.

    Parameters
    ----------
    store
        Holds their readings.
    asking
        The policy, or cutoffs set under it; their ``confirmed_only`` classes count.
    labels
        Individuals that are about to be used, with their class code.

    Raises
    ------
    InputError
        Naming how many of them are not confirmed.
    """
    asked = set(asking.confirmed_only)
    wanted = {individual for individual, code in labels.items() if code in asked}
    lacking = wanted - confirmed_individuals(open_version(store), readings_of(store)) if wanted else set()
    if lacking:
        raise InputError(
            f"{len(lacking)} of {len(wanted)} individuals of {', '.join(sorted(asked))} are not confirmed, which the"
            f" policy of {asking.site} asks for, for example {min(lacking)}",
            where=store.storage.root,
            do="Have them read (labels sheet), or leave them out (labels confirm), then score again.",
        )


def _decided(before: Version, confirmed: set[str], names: set[str], asked: Amendment) -> Amendment:
    rows = list(tuples(before.table(_COLUMNS), *_COLUMNS))
    used: dict[str, set[str]] = defaultdict(set)
    for _, individual, _, role, _, _ in rows:
        if role != "excluded":
            used[individual].add(role)
    excluded: dict[str, str] = {}
    lifted: list[str] = []
    for sha256, individual, name, role, drawn, reason in rows:
        if role in _AUDITED and name in names and individual not in confirmed:
            excluded[sha256] = f"{UNCONFIRMED}: {name} in {role}"
        elif reason.startswith(UNCONFIRMED) and individual in confirmed and used[individual] <= {drawn}:
            lifted.append(sha256)
    return asked.model_copy(update={"excluded": excluded, "lifted": tuple(lifted)})
