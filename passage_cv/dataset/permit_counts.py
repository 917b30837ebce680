"""How many fish each permit allows, how many were handled under it, and how many are left.

Counts grow with each accepted batch and stand in its roles fact: individuals with a number or tag once per
batch, counted-only lines by their count, whether or not a picture of the fish was kept.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from passage_cv.dataset.registers import Register, register_of
from passage_cv.dataset.tables import tuples
from passage_cv.dataset.versions import Version
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.permits import Permit, handled_in, lines_by_permit, outside_permit, permits_of, too_many
from passage_cv.records import Finding

Counts = Mapping[str, Mapping[str, int]]


@dataclass(frozen=True, slots=True)
class PermitUse:
    """One species under one permit; ``allowed`` and ``left`` are None where the number is not limited.

    ``is_named`` is False for a species that was handled and that the permit does not name.
    """

    permit: str
    protocol: str
    until: str
    species: str
    handled: int
    allowed: int | None
    left: int | None
    is_named: bool


def permit_use(version: Version) -> list[PermitUse]:
    """Running counts of every permit on file or used, in order of permit and species."""
    return uses_of(register_of(version), handled_before(version))


def uses_of(register: Register, handled: Counts) -> list[PermitUse]:
    """Every permit on file or used beside the fish handled under it, in order of permit and species."""
    on_file = register.permits
    found: list[PermitUse] = []
    for number in sorted({*on_file, *handled}):
        entry = on_file.get(number)
        found += _uses(number, entry.said if entry else None, handled.get(number, {}))
    return found


def handled_before(version: Version | None) -> Counts:
    """Fish handled per permit and species up to and with a version.

    Batches accepted before this was kept are counted by their pictured individuals.
    """
    if version is None or not version.entries:
        return {}
    fact = version.roles_fact(version.entries[-1])
    return fact.handled if "handled" in fact.model_fields_set else _pictured(version)


def handled_with(before: Counts, batch: CheckedBatch) -> dict[str, dict[str, int]]:
    """The running counts with a batch added."""
    total = {number: dict(counts) for number, counts in before.items()}
    for number, lines in lines_by_permit(batch).items():
        own = total.setdefault(number, {})
        for name, n in handled_in(lines).items():
            own[name] = own.get(name, 0) + n
    return total


def findings_of_permits(batch: CheckedBatch, before: Counts, register: Register) -> Iterator[Finding]:
    """What of a batch lies outside the permits on file, with what was handled before.

    A permit on file that the batch's own file words otherwise must be resolved.
    """
    own = {permit.number: permit for permit in permits_of(batch)}
    for number, permit in own.items():
        known = register.permits.get(number)
        if known and known.said != permit:
            yield Finding(
                "permit differs",
                "must resolve",
                f"Permit {number} is on file since {known.at[:10]} ({known.author}) and reads otherwise here",
                proposal="Take permits.toml out of the batch, or put the renewed permit on file first",
            )
    for number, lines in lines_by_permit(batch).items():
        entry = register.permits.get(number)
        if number in own:
            if before.get(number):
                yield from too_many(own[number], handled_in(lines), before[number], row=lines[0].row)
        elif entry:
            alone = (one for one in outside_permit(entry.said, lines) if one.kind != "over the permitted number")
            yield from alone
            yield from too_many(entry.said, handled_in(lines), before.get(number, {}), row=lines[0].row)


def _uses(number: str, permit: Permit | None, handled: Mapping[str, int]) -> Iterator[PermitUse]:
    named = [one.name for one in permit.species] if permit else []
    for name in dict.fromkeys([*named, *sorted(handled)]):
        limit = permit.allowed_of(name) if permit else None
        n = handled.get(name, 0)
        allowed = limit.allowed if limit else None
        yield PermitUse(
            permit=number,
            protocol=permit.protocol if permit else "",
            until=permit.until.isoformat() if permit else "",
            species=name,
            handled=n,
            allowed=allowed,
            left=None if allowed is None else allowed - n,
            is_named=limit is not None,
        )


def _pictured(version: Version) -> dict[str, dict[str, int]]:
    columns = ("permit", "scientificName", "individual")
    seen = {row for row in tuples(version.table(columns), *columns) if row[0] and row[2]}
    counts: dict[str, dict[str, int]] = {}
    for permit, name, _ in seen:
        own = counts.setdefault(permit, {})
        own[name] = own.get(name, 0) + 1
    return counts
