"""Hash everything again: find any changed or missing byte of a store.

Each file of a store carries its hash in its name, or is named with its hash by a file that does; the chain
ends at ``heads/``. What is derived is held against what it was made from: packs against their segments, reduced
copies in ``working/`` against their pictures.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from random import Random

from passage_cv.dataset.facts import BatchEntry, RolesFact, read_fact
from passage_cv.dataset.keys import keys_path, read_keys
from passage_cv.dataset.readings import FOLDER
from passage_cv.dataset.rows import find_packs, pack_matches, read_segment
from passage_cv.dataset.store import SETTINGS_FILE, Store
from passage_cv.dataset.tables import values
from passage_cv.dataset.versions import Version, VersionRecord, read_record, withdrawn_images
from passage_cv.dataset.working import working_path, working_problem
from passage_cv.errors import InputError
from passage_cv.files import sha256_bytes
from passage_cv.progress import Progress, silent, tracked


@dataclass(frozen=True, slots=True)
class Verification:
    """What was looked at and what is wrong; ``problems`` is empty for a sound store.

    ``leftovers`` are files that no version names: a writer that was killed or refused leaves them, and they
    harm nothing; a version file among them may also mean that the last head was lost.
    """

    n_versions: int
    n_batches: int
    n_pictures: int
    n_pictures_read: int
    n_withdrawn: int
    problems: tuple[str, ...]
    leftovers: tuple[str, ...]


def verify_store(
    store: Store, *, sample: int | None = None, seed: int | None = None, progress: Progress = silent
) -> Verification:
    """Re-hash a store's history, rows, facts, sheets and pictures.

    Parameters
    ----------
    store
        What to look at; nothing is changed.
    sample
        Read only this many pictures with their reduced copies, drawn at random; all by default.
    seed
        Of that draw; other pictures every time by default, so that a sample each night reads them all in the end.
    progress
        Told of each picture.
    """
    records, problems = _history(store)
    newest = Version(store, records[-1]) if records else None
    entries, broken = _entries(newest)
    problems += (
        broken + _batch_problems(store, entries) + _fact_problems(store, newest) + _pack_problems(store, newest)
    )
    pictures = _pictures(store, entries)
    withdrawn = _withdrawn(newest)
    chosen = pictures if sample is None else Random(seed).sample(pictures, min(sample, len(pictures)))  # noqa: S311 - a sample to look at, no secret
    for sha256 in tracked(chosen, "Hashing pictures", progress):
        problems += _left_problems(store, sha256) if sha256 in withdrawn else _picture_problems(store, sha256)
    problems += [p for folder in ("ledger", FOLDER) for p in _named_problems(store, folder)]
    return Verification(
        n_versions=len(records),
        n_batches=len(entries),
        n_pictures=len(pictures),
        n_pictures_read=len([sha256 for sha256 in chosen if sha256 not in withdrawn]),
        n_withdrawn=len(withdrawn),
        problems=tuple(problems),
        leftovers=tuple(_leftovers(store, records, entries)),
    )


def _history(store: Store) -> tuple[list[VersionRecord], list[str]]:
    """Every version that can be read, and what is wrong with the chain."""
    records: list[VersionRecord] = []
    problems: list[str] = []
    parent = ""
    for number, head in enumerate(store.storage.names("heads"), start=1):
        if head != f"{number:06d}":
            problems.append(f"heads/{number:06d} is missing, found heads/{head}")
        try:
            record = read_record(store, head)
        except InputError as error:
            problems.append(str(error))
            continue
        if records and record.parent != parent:
            problems.append(f"Version {record.name} names parent {record.parent}, the one before is {parent}")
        if record.store_sha256 != store.settings_sha256:
            problems.append(f"{SETTINGS_FILE} was changed since version {record.name}")
        records.append(record)
        parent = record.name
    return records, problems


def _entries(newest: Version | None) -> tuple[tuple[BatchEntry, ...], list[str]]:
    """The batches of the newest version; none where a window cannot be read."""
    try:
        return (newest.entries if newest else ()), []
    except InputError as error:
        return (), [str(error)]


def _withdrawn(newest: Version | None) -> set[str]:
    try:
        return withdrawn_images(newest)
    except InputError:  # told by _fact_problems
        return set()


def _batch_problems(store: Store, entries: Sequence[BatchEntry]) -> list[str]:
    problems: list[str] = []
    for entry in entries:
        segment, roles = f"segments/{entry.segment}.parquet", f"facts/{entry.roles}.json"
        broken = [p for p in (_changed(store, segment, entry.segment), _changed(store, roles, entry.roles)) if p]
        problems += broken
        if not broken:
            fact = read_fact(store, entry.roles, RolesFact)
            problems += _file_problems(store, entry.id, fact.files)
    return problems


def _fact_problems(store: Store, newest: Version | None) -> list[str]:
    named = newest.record.facts if newest else ()
    return [p for sha256 in named if (p := _changed(store, f"facts/{sha256}.json", sha256))]


def _pack_problems(store: Store, newest: Version | None) -> list[str]:
    """Packs whose bytes or rows are not those of their window, and keys whose bytes are not those of their hash."""
    packs = find_packs(store)
    problems = [p for name in packs.values() if (p := _misnamed(store, f"packs/{name}"))]
    if newest is None or problems:
        return problems
    try:
        windows = newest.windows
    except InputError:
        return problems
    for sha256, entries in windows.items():
        if sha256[:12] in packs and not pack_matches(store, sha256, entries, packs, newest.filled_facts):
            problems.append(f"packs/{packs[sha256[:12]]} has other rows than its segments; delete it")
    return problems + [
        f"{keys_path(part)} was changed; delete it, it will be made again"
        for part in newest.parts
        if store.storage.exists(keys_path(part)) and read_keys(store, part) is None
    ]


def _file_problems(store: Store, batch: str, files: dict[str, str]) -> Iterator[str]:
    """Sheets and findings by the hashes in the batch's fact, receipts by the hash in their name."""
    folder = f"batches/{batch}"
    for name, sha256 in files.items():
        yield from filter(None, [_changed(store, f"{folder}/{name}", sha256)])
    for name in store.storage.names(folder):
        if name.startswith("receipt-"):
            yield from filter(None, [_misnamed(store, f"{folder}/{name}")])


def _pictures(store: Store, entries: Sequence[BatchEntry]) -> list[str]:
    hashes: list[str] = []
    for entry in entries:
        try:
            hashes += values(read_segment(store, entry.segment), "image_sha256")
        except InputError:  # told with its batch
            continue
    return hashes


def _picture_problems(store: Store, sha256: str) -> list[str]:
    path = store.find_object(sha256)
    if path is None:
        return [f"objects/{sha256[:2]}/{sha256} is missing"]
    problem = _changed(store, path, sha256) or working_problem(store, sha256, store.storage.read(path))
    return [problem] if problem else []


def _left_problems(store: Store, sha256: str) -> list[str]:
    """Files of a withdrawn picture that should be gone: whoever withdrew it was stopped before it was deleted."""
    left = [path for path in (store.find_object(sha256), working_path(sha256)) if path and store.storage.exists(path)]
    return [f"{path} was withdrawn and is still there; run versions sweep --remove" for path in left]


def _leftovers(store: Store, records: Sequence[VersionRecord], entries: Sequence[BatchEntry]) -> Iterator[str]:
    """Version, segment and fact files that nothing names."""
    facts = {sha256 for record in records for sha256 in (*record.facts, *record.sealed)}
    named = {
        "versions": {f"{record.name}.json" for record in records},
        "segments": {f"{entry.segment}.parquet" for entry in entries},
        "facts": {f"{sha256}.json" for sha256 in facts | {entry.roles for entry in entries}},
    }
    for folder, known in named.items():
        yield from (f"{folder}/{name}" for name in store.storage.names(folder) if name not in known)


def _named_problems(store: Store, folder: str) -> list[str]:
    """Files of a folder in which each is named by its own hash, and by nothing else."""
    found = (_misnamed(store, f"{folder}/{name}") for name in store.storage.names(folder))
    return [problem for problem in found if problem]


def _misnamed(store: Store, path: str) -> str:
    """What is wrong with a file whose name ends in the first 12 digits of its hash."""
    named = path.rpartition(".")[0].rpartition("-")[2]
    found = sha256_bytes(store.storage.read(path))
    return "" if found.startswith(named) else f"{path} was changed: hash {found[:12]}, its name says {named}"


def _changed(store: Store, path: str, sha256: str) -> str:
    """What is wrong with a file that must have this hash; empty where nothing is."""
    try:
        found = sha256_bytes(store.storage.read(path))
    except FileNotFoundError:
        return f"{path} is missing"
    return "" if found == sha256 else f"{path} was changed: hash {found[:12]}, should be {sha256[:12]}"
