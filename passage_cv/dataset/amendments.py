"""Later decisions about what is in the store: relabel, exclude, merge, split, withdraw.

Each becomes a fact and a new version; an old version opens exactly as it was. What a decision takes out of
its role is written down with it, so that roles are never worked out again.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime

import pyarrow as pa

from passage_cv.dataset.applying import rows_of
from passage_cv.dataset.facts import Amendment, AmendmentKind, put_fact
from passage_cv.dataset.store import Store
from passage_cv.dataset.tables import distinct, rows_with, tuples, values
from passage_cv.dataset.versions import Version, VersionRecord, commit, next_record
from passage_cv.dataset.working import working_path
from passage_cv.errors import InputError
from passage_cv.intake.names import Names, shipped_names

_CONTENT_HASH = re.compile("[0-9a-f]{64}")
_BECOMING = {"relabel": "to", "merge": "into", "split": "as"}
_SEE = "versions browse shows every fish and picture; versions export writes them as a table."


def amend(  # noqa: PLR0913 - a decision has this many parts, all by name
    store: Store,
    kind: AmendmentKind,
    *,
    author: str,
    why: str,
    individual: str = "",
    images: Sequence[str] = (),
    becomes: str = "",
    method: str = "",
    names: Names | None = None,
    at: datetime | None = None,
) -> Version:
    """Add one amendment as a new version.

    Parameters
    ----------
    store
        Whose newest version is amended.
    kind
        ``relabel`` an individual as another species; ``exclude`` an individual or images from every role;
        ``merge`` an individual into another; ``split`` images of one individual off as a new one;
        ``withdraw`` an individual's or single pictures, for example where consent was taken back.
    author, why
        Who decides, and the reason; both needed.
    individual, images
        Which rows; images by content hash.
    becomes
        The species (relabel) or individual (merge, split).
    method
        How a new species was found, for example ``second reader`` or ``genetic``; left as it is where empty.
    names
        List that a new species is looked up in.
    at
        When; now by default.

    Notes
    -----
    ``withdraw`` also deletes the pictures' files, for good: their rows stay, marked, and so do all hashes.

    Raises
    ------
    InputError
        If author or reason is missing, nothing fits, or the decision contradicts what is there.
    """
    if not author.strip() or not why.strip():
        raise InputError("An amendment needs an author and a reason", where=store.storage.root, do="Give both.")
    _require_rows_named(individual, images)
    asked = Amendment(
        kind=kind,
        author=author,
        at=(at or datetime.now(UTC)).isoformat(),
        why=why,
        individual=individual,
        images=tuple(images),
        becomes=becomes,
        method=method,
    )
    species = names or shipped_names()
    version = commit(store, lambda before: _next_record(before, store, asked, species))
    assert version is not None
    if kind == "withdraw":
        _delete_pictures(store, version.amendments[-1].excluded)
    return version


def _next_record(before: Version | None, store: Store, asked: Amendment, names: Names) -> VersionRecord:
    if before is None:
        raise InputError("Store has no version yet", where=store.storage.root, do="Accept a first batch.")
    decided = _decided(before, asked, names)
    fact = put_fact(store, decided)
    reason = f"{_in_words(decided)}: {asked.why}"
    return next_record(before, store, fact=fact, author=asked.author, at=asked.at, reason=reason)


def _require_rows_named(individual: str, images: Sequence[str]) -> None:
    if not individual and not images:
        raise InputError("An amendment names no fish and no picture", where="amendment", do="Name one of them.")
    for image in images:
        if not _CONTENT_HASH.fullmatch(image):
            raise InputError(
                f"{image!r} is no content hash of 64 signs 0-9 and a-f",
                where="amendment",
                do=f"Give the picture's file name in an export, without .jpg. {_SEE}",
            )


def _in_words(asked: Amendment) -> str:
    """What is done to what, as the history tells it: ``merge T1-1/1 into T1-1/3``."""
    first = f"image {asked.images[0][:12]}" if asked.images else ""
    about = asked.individual or (f"{len(asked.images)} images" if len(asked.images) > 1 else first)
    becomes = f" {_BECOMING[asked.kind]} {asked.becomes}" if asked.becomes and asked.kind in _BECOMING else ""
    return f"{asked.kind} {about}{becomes}"


def _decided(before: Version, asked: Amendment, names: Names) -> Amendment:
    """The amendment with all that it fixes."""
    rows = before.table()
    touched = rows.filter(rows_of(rows, asked))
    if not len(touched):
        what = f"individual {asked.individual!r}" if asked.individual else f"{len(asked.images)} images"
        raise InputError(f"Version {before.name} has no {what}", where=before.store.storage.root, do=_SEE)
    if asked.kind == "relabel":
        return _relabelled(asked, names)
    if asked.kind == "merge":
        return asked.model_copy(update={"excluded": _merge_conflicts(rows, touched, asked)})
    if asked.kind == "split":
        _require_new(rows, touched, asked)
        return asked
    if asked.kind == "exclude":
        _require_not_excluded(touched, before)
    reason = f"{'withdrawn' if asked.kind == 'withdraw' else 'excluded'} by {asked.author}: {asked.why}"
    return asked.model_copy(update={"excluded": dict.fromkeys(values(touched, "image_sha256"), reason)})


def _require_not_excluded(touched: pa.Table, before: Version) -> None:
    """A second exclusion by a person changes nothing; one over what a rule left out stands for good."""
    reasons = distinct(touched, "excluded_reason")
    if all(reason.startswith(("excluded by ", "withdrawn by ")) for reason in reasons):
        raise InputError(
            f"Was taken out before: {'; '.join(sorted(reasons))}",
            where=before.store.storage.root,
            do="Nothing is left to exclude; versions list tells the history.",
        )


def _relabelled(asked: Amendment, names: Names) -> Amendment:
    species = names.find(asked.becomes)
    if species is None:
        raise InputError(
            f"{asked.becomes!r} is on no list", where="amendment", do="Correct the name, or give a list that has it."
        )
    return asked.model_copy(update={"becomes": species.scientific_name, "code": species.code})


def _merge_conflicts(rows: pa.Table, touched: pa.Table, asked: Amendment) -> dict[str, str]:
    """Images of two individuals found to be one that cannot keep their role: the first sighting decides."""
    into = rows_with(rows, "individual", asked.becomes)
    species = {*distinct(touched, "scientificName"), *distinct(into, "scientificName")}
    if not len(into) or not asked.individual or asked.individual == asked.becomes or len(species) > 1:
        raise InputError(
            f"Cannot merge {asked.individual or 'images'} into {asked.becomes!r} ({', '.join(sorted(species))})",
            where="amendment",
            do="Name two individuals of the store of one species; relabel first where they differ.",
        )
    both = {asked.individual, asked.becomes}
    seen = [
        (sha256, role)
        for who, sha256, role in tuples(rows, "individual", "image_sha256", "role")
        if who in both and role != "excluded"
    ]
    first = seen[0][1] if seen else ""
    return {
        sha256: f"same fish as {asked.becomes}, first seen in {first}, this one is {role}"
        for sha256, role in seen
        if role != first
    }


def _require_new(rows: pa.Table, touched: pa.Table, asked: Amendment) -> None:
    """A split takes some images of one individual, and names one that is not there yet."""
    whole = rows_with(rows, "individual", values(touched, "individual")[0])
    one = len(distinct(touched, "individual")) == 1
    if not asked.images or not one or len(touched) == len(whole) or len(rows_with(rows, "individual", asked.becomes)):
        raise InputError(
            f"Cannot split {len(touched)} images off as {asked.becomes!r}",
            where="amendment",
            do="Name some, not all, images of one individual, and a new name.",
        )
    if not asked.becomes.strip():
        raise InputError("A split needs a name for the new individual", where="amendment", do="Give one.")


def _delete_pictures(store: Store, images: dict[str, str]) -> None:
    for sha256 in images:
        for path in (store.find_object(sha256), working_path(sha256)):
            if path and store.storage.exists(path):
                store.storage.remove(path)
