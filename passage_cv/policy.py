"""What a site wants done with each class of fish, and what each error costs it (format 4).

A policy belongs to a site, never to a species: one site excludes channel catfish, the next lets them pass.
Costs, limits and shares live here and nowhere else, so a researcher retrains without touching them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from passage_cv.config import Settings, read_settings, settings_sha256

Group = Literal["exclude", "pass", "protected"]
Share = Annotated[float, Field(gt=0, lt=1)]
Cost = Annotated[float, Field(gt=0, allow_inf_nan=False)]

EXCLUDED_SHARE = 0.05
"""Share of the excluded classes together where a policy forecasts none (formats 4)."""

UNKNOWN_HOLD_LOAD = 0.05
"""Share of known fish that may be held as unknown where a policy does not say: one in twenty [ours]."""


class Views(Settings):
    """How many images of one presentation the gate will have, and how far one of them may speak against a class.

    With ``floor`` a view's probability of a class counts as at least that, so that one bad view cannot veto a class.
    """

    min: Annotated[int, Field(ge=1)] = 1
    max: Annotated[int, Field(ge=1)] = 3
    floor: Annotated[float, Field(gt=0, lt=0.5)] | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.min > self.max:
            raise ValueError(f"views.min {self.min} is more than views.max {self.max}")
        return self


class Where(Settings):
    """What tells a class from others of its species, as the sheet writes it; what is left out does not matter.

    A fish of the species whose mark or sex was not examined (``NX``, ``U``, empty) is of no class that asks for it.
    """

    mark: Annotated[str, Field(min_length=1)] | None = None
    sex: Literal["M", "F"] | None = None
    life_stage: Annotated[str, Field(min_length=1)] | None = None

    @model_validator(mode="after")
    def _asks(self) -> Self:
        if not self.asked:
            raise ValueError("where = {} tells no class from another; give mark, sex or life_stage")
        return self

    @property
    def asked(self) -> dict[str, str]:
        """Column of the sheet to the value it must have."""
        given = {"mark": self.mark, "sex": self.sex, "lifeStage": self.life_stage}
        return {column: value for column, value in given.items() if value is not None}

    def fits(self, row: Mapping[str, object]) -> bool:
        """Whether a row of a sheet says all that is asked."""
        return all(row[column] == value for column, value in self.asked.items())


class ClassRule(Settings):
    """One class: its names, what the site wants, what each error costs and which limits it sets.

    ``confirmed_only`` asks that ``cut`` and ``test`` hold individuals of this class only where a second look confirms
    the label; where it is not asked for, the policy's hash does not know of it.
    """

    code: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$")]
    scientific_name: Annotated[str, Field(min_length=1)]
    policy: Group
    pass_cost: Cost | None = None
    reject_cost: Cost | None = None
    hold_cost: Cost | None = None
    miss_limit: Share | None = None
    false_rejection_limit: Share | None = None
    never_reject_above: Share | None = None
    expected_share: Annotated[float, Field(ge=0, le=1)] | None = None
    where: Annotated[Where | None, Field(exclude_if=lambda where: where is None)] = None
    confirmed_only: Annotated[bool, Field(exclude_if=lambda asked: not asked)] = False

    @model_validator(mode="after")
    def _fits_its_policy(self) -> Self:
        excluded = self.policy == "exclude"
        needed, foreign = (
            (("pass_cost",), ("reject_cost", "false_rejection_limit", "never_reject_above"))
            if excluded
            else (("reject_cost",), ("pass_cost", "miss_limit"))
        )
        for key in needed:
            if getattr(self, key) is None:
                raise ValueError(f"class {self.code} with policy {self.policy!r} needs {key}")
        for key in foreign:
            if getattr(self, key) is not None:
                raise ValueError(f"class {self.code} with policy {self.policy!r} cannot have {key}")
        if self.policy == "pass" and (self.false_rejection_limit or self.never_reject_above):
            raise ValueError(f"class {self.code}: limits on rejecting belong to policy 'protected'")
        return self

    @property
    def error_cost(self) -> float:
        """Cost of the wrong final action: passing an excluded fish, rejecting a wanted one."""
        cost = self.pass_cost if self.policy == "exclude" else self.reject_cost
        assert cost is not None
        return cost


class Policy(Settings):
    """A site's policy as read from its TOML file (format 4).

    ``hold_capacity_per_hour`` is how many held fish the crew can clear in an hour, ``presentations_per_hour`` how
    many fish come in the busiest hour that is planned for; together they bound the share that may be held, at the
    expected shares. What that costs stands in the cutoffs file. A demonstrated limit always goes first: where the
    limits leave more to hold than the crew can clear, the file says so and the capacity is given up, not the limit.

    ``unknown_hold_load`` is the largest share of presentations of known fish that may be held for looking unlike
    anything the model was shown; 0 turns the rule off, the default is no part of the policy's hash. It limits that
    load, not the risk from a species never seen.

    ``pooled_miss_limit`` limits the misses of all excluded classes together. It holds only while the mix of excluded
    classes stays as it was imaged, which limits per class do not need; so it is never assumed, only asked for.

    ``sides_matter`` says that left and right differ in what is told apart, as a clip or a tag on one side does: no
    model for this policy may then learn from mirrored pictures. False is not part of the policy's hash.
    """

    format: Literal[1]
    site: Annotated[str, Field(min_length=1)]
    confidence: Share
    mode: Literal["fish", "trip", "between-trips"] = "fish"
    hold_cost: Cost = 1.0
    views: Views = Views()
    reject_to: Literal["turn back", "removal", "holding"] = "turn back"
    safe_position: str = "closed"
    attempts: Annotated[int, Field(ge=1)] = 1
    hold_capacity_per_hour: Cost | None = None
    presentations_per_hour: Cost | None = None
    unknown_hold_load: Annotated[float, Field(ge=0, lt=1, exclude_if=lambda load: load == UNKNOWN_HOLD_LOAD)] = (
        UNKNOWN_HOLD_LOAD
    )
    pooled_miss_limit: Share | None = None
    sides_matter: Annotated[bool, Field(exclude_if=lambda matter: not matter)] = False
    classes: Annotated[tuple[ClassRule, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _whole(self) -> Self:
        codes = [rule.code for rule in self.classes]
        if len(set(codes)) != len(codes):
            raise ValueError(f"class codes must differ: {codes}")
        groups = {rule.policy for rule in self.classes}
        if "exclude" not in groups or groups == {"exclude"}:
            raise ValueError("a policy needs at least one class to exclude and one to pass or protect")
        given = [rule.expected_share for rule in self.classes if rule.expected_share is not None]
        if given and len(given) != len(codes):
            raise ValueError("expected_share must be given for all classes or for none")
        if given and not math.isclose(sum(given), 1.0, abs_tol=1e-6):
            raise ValueError(f"expected_share sums to {sum(given):.6f}; it must sum to 1")
        return self

    @model_validator(mode="after")
    def _species_are_told_apart(self) -> Self:
        """Classes of one species must exclude each other by mark, sex or life stage, else a fish would be of two."""
        for place, one in enumerate(self.classes):
            for other in self.classes[:place]:
                if one.scientific_name == other.scientific_name and not _exclude_each_other(one, other):
                    raise ValueError(
                        f"classes {other.code} and {one.code} are both {one.scientific_name}: give each a where that "
                        "no fish of the other has"
                    )
        return self

    @model_validator(mode="after")
    def _capacity_has_its_traffic(self) -> Self:
        if (self.hold_capacity_per_hour is None) != (self.presentations_per_hour is None):
            raise ValueError("hold_capacity_per_hour and presentations_per_hour belong together: give both or none")
        return self

    @model_validator(mode="after")
    def _pool_has_several(self) -> Self:
        if self.pooled_miss_limit is not None and len(self.in_group("exclude")) < 2:
            raise ValueError("pooled_miss_limit needs two excluded classes; with one, give it a miss_limit")
        return self

    @property
    def codes(self) -> tuple[str, ...]:
        """Class codes in the order of the file."""
        return tuple(rule.code for rule in self.classes)

    def rule(self, code: str) -> ClassRule:
        """The rule of one class (KeyError where the policy has no such class)."""
        return {rule.code: rule for rule in self.classes}[code]

    def in_group(self, *groups: Group) -> tuple[ClassRule, ...]:
        """The classes of these groups, in the order of the file."""
        return tuple(rule for rule in self.classes if rule.policy in groups)

    @property
    def asked_columns(self) -> tuple[str, ...]:
        """Columns of a sheet, beside the name, that tell classes of this policy apart: mark, sex, lifeStage."""
        asked = {column for rule in self.classes if rule.where for column in rule.where.asked}
        return tuple(column for column in ("mark", "sex", "lifeStage") if column in asked)

    @property
    def confirmed_only(self) -> tuple[str, ...]:
        """Codes of the classes of which ``cut`` and ``test`` may hold confirmed individuals only."""
        return tuple(rule.code for rule in self.classes if rule.confirmed_only)

    @property
    def groups(self) -> dict[str, Group]:
        """Class code to exclude, pass or protected."""
        return {rule.code: rule.policy for rule in self.classes}

    @property
    def shares(self) -> dict[str, float]:
        """Expected share of each class among presentations; the stated default where none is given."""
        if self.classes[0].expected_share is not None:
            return {rule.code: float(rule.expected_share or 0.0) for rule in self.classes}
        excluded = len(self.in_group("exclude"))
        wanted = len(self.classes) - excluded
        return {
            rule.code: EXCLUDED_SHARE / excluded if rule.policy == "exclude" else (1 - EXCLUDED_SHARE) / wanted
            for rule in self.classes
        }

    def hold_cost_of(self, code: str) -> float:
        """Cost of holding one fish of this class."""
        own = self.rule(code).hold_cost
        return self.hold_cost if own is None else own

    @property
    def deltas(self) -> tuple[float, float]:
        """Allowed chance of a broken claim: (miss limits, false-rejection limits).

        Half each where both kinds are limited, all of it where only one is (decision-method 6), divided
        by the attempts fixed beforehand.
        """
        delta = (1 - self.confidence) / self.attempts
        limited = (
            self.pooled_miss_limit is not None or any(rule.miss_limit for rule in self.classes),
            any(rule.false_rejection_limit for rule in self.classes),
        )
        return (delta / 2, delta / 2) if all(limited) else (delta, delta)

    @property
    def sha256(self) -> str:
        """Hash of the values, whatever the layout and comments of the file."""
        return settings_sha256(self)


def _exclude_each_other(one: ClassRule, other: ClassRule) -> bool:
    first, second = (rule.where.asked if rule.where else {} for rule in (one, other))
    return any(second.get(column, value) != value for column, value in first.items())


def read_policy(path: Path) -> Policy:
    """Read a site's policy (format 4).

    Raises
    ------
    InputError
        Naming every key that is missing, unknown or out of range.
    """
    return read_settings(path, Policy)
