"""What ``plan sample`` says: numbers with their formulas, tables by class and mode, and the page around them."""

from __future__ import annotations

from collections.abc import Sequence

from passage_cv.decision.guarantee import BET
from passage_cv.planning import figures
from passage_cv.planning.page import Page, Picture, Section, Table
from passage_cv.planning.quantity import Quantity, level, percent, whole
from passage_cv.planning.sampling import Need, chance_to_succeed, misses_allowed, over_share, shown_by, units_needed
from passage_cv.stats.clusters import design_effect, effective_size

EXACT = "Clopper & Pearson 1934, Biometrika 26:404; decision-method section 6"
CAUTIONS = (
    "Catching, handling and imaging live fish needs permits and animal-care approval first; local regulations win.",
)

TRUE_RATE_SHARES = (0.0, 0.1, 0.2, 0.5, 1.0)
"""True miss rates in the table of chances, as shares of the limit."""


def need_quantities(need: Need, *, cut_share: float) -> list[Quantity]:
    """The numbers of one class, each with its formula."""
    delta = 1 - need.confidence
    unit = "fish" if need.mode == "fish" else "trips"
    found = [
        Quantity(
            f"{need.code or 'Class'}: {unit} needed in role cut",
            need.individuals,
            whole(need.individuals),
            _formula(need, delta),
            EXACT,
        ),
        Quantity(
            f"{need.code or 'Class'}: {unit} to image in all",
            need.to_image,
            whole(need.to_image),
            f"{need.individuals} / {cut_share:g}, rounded up: about {cut_share:.0%} of what is imaged gets role cut",
            "Store settings (shares); default 0.4 train, 0.4 cut, 0.2 test",
        ),
    ]
    if need.in_cut is not None and need.missing is not None:
        found.append(
            Quantity(
                f"{need.code}: {unit} still to image",
                need.missing,
                whole(need.missing),
                f"({need.individuals} needed - {need.in_cut} in cut) / {cut_share:g}, rounded up, not below 0",
                "Counted in the store, role cut, gate views only",
            )
        )
    return found


def _formula(need: Need, delta: float) -> str:
    if need.mode == "between-trips":
        return (
            f"smallest G with (1 + {BET} x {need.limit:g} / {1 - need.limit:g})^G >= 1 / {delta:.4g}, all trips clean"
        )
    if need.misses == 0:
        return f"smallest n with (1 - {need.limit:g})^n <= {delta:.4g}: ln({delta:.4g}) / ln({1 - need.limit:g})"
    return f"smallest n with P(Bin(n, {need.limit:g}) <= {need.misses}) <= {delta:.4g}"


def need_table(needs: Sequence[Need]) -> Table:
    """One line per limit."""
    with_store = any(need.in_cut is not None for need in needs)
    unit = "fish" if needs[0].mode == "fish" else "trips"
    headings = ["Class", "What is limited", "At most", "Confidence", "Misses allowed", f"{unit} in cut", "to image"]
    headings += ["in cut now", "misses they allow", "still to image"] if with_store else []
    rows = []
    for need in needs:
        row: list[object] = [
            f"{need.code} {need.name}".strip() or "any",
            f"{need.kind} rate",
            percent(need.limit, digits=1),
            level(need.confidence),
            need.misses,
            whole(need.individuals),
            whole(need.to_image),
        ]
        rows.append(row + (_at_hand(need) if with_store else []))
    return Table(headings, rows, words=("What is limited",))


def _at_hand(need: Need) -> list[object]:
    """What the store holds of a class, and how many misses among them would still show the limit."""
    have = need.in_cut or 0
    allowed: object = "-"
    if need.mode != "between-trips":
        found = misses_allowed(have, limit=need.limit, delta=1 - need.confidence)
        allowed = "too few" if found is None else found
    return [whole(have), allowed, whole(need.missing or 0)]


def mode_table(need: Need) -> Table:
    """Fish and trips for one limit by mode, with what each mode's limit speaks about."""
    delta = 1 - need.confidence
    rows: list[list[object]] = [
        [
            "fish",
            f"{units_needed(need.limit, delta=delta, misses=need.misses)} fish",
            "a fish like those sampled, if fish are independent; fish of one trip share water and light",
        ],
        [
            "trip",
            f"{units_needed(need.limit, delta=delta, misses=need.misses, mode='trip')} trips",
            "a fish of a new trip, one fish per trip counted",
        ],
        [
            "between-trips",
            f"{units_needed(need.limit, delta=delta, mode='between-trips')} trips",
            "the mean over new trips, all fish counted, every trip clean",
        ],
    ]
    return Table(
        ("Mode", "needed in cut", "what the limit speaks about"),
        rows,
        caption=f"At most {percent(need.limit, digits=1)}, confidence {level(need.confidence)}.",
        words=("needed in cut", "what the limit speaks about"),
    )


def chance_table(need: Need) -> Table:
    """Chance that a gate of a given true miss rate shows the limit with the planned fish."""
    rows = []
    for share in TRUE_RATE_SHARES:
        rate = share * need.limit
        chance = chance_to_succeed(need.individuals, misses=need.misses, true_rate=rate)
        rows.append([percent(rate), percent(chance, digits=1)])
    return Table(
        ("True miss rate", "chance to show the limit"),
        rows,
        caption=f"{need.individuals} fish, {need.misses} misses allowed: P(Bin(n, true rate) <= misses). "
        "For a fixed rule; a calibrated cutoff moves instead and may hold more fish.",
    )


def shown_table(individuals: int, confidence: float) -> Table:
    """Smallest limits that fish at hand can show."""
    limits = shown_by(individuals, delta=1 - confidence)
    return Table(
        ("Misses among them", "miss rate shown, at most"),
        [[misses, percent(limit, up=True)] for misses, limit in limits.items()],
        caption=f"{individuals} fish in role cut, confidence {level(confidence)}.",
    )


def images_quantities(need: Need, *, images_per_fish: int, alike: float) -> list[Quantity]:
    """Why several pictures of one fish are not several fish."""
    images = need.individuals * images_per_fish
    effect = design_effect(images_per_fish, alike)
    return [
        Quantity(
            f"Pictures, {images_per_fish} of each of {need.individuals} fish",
            images,
            whole(images),
            f"{need.individuals} x {images_per_fish}",
            "Example for this plan",
        ),
        Quantity(
            "Design effect",
            effect,
            f"{effect:.2f}",
            f"1 + ({images_per_fish} - 1) x {alike:g}; {alike:g} is how alike pictures of one fish are",
            "Kish 1965, Survey Sampling; the likeness is a guess until measured",
        ),
        Quantity(
            "Independent fish they are worth",
            effective_size(images, per_cluster=images_per_fish, correlation=alike),
            whole(effective_size(images, per_cluster=images_per_fish, correlation=alike)),
            f"{images} / {effect:.2f}; a diagnosis only, a limit counts fish",
            "Kish 1965; decision-method section 6",
        ),
    ]


def sample_page(needs: Sequence[Need], *, site: str, cut_share: float, images_per_fish: int, alike: float) -> Page:
    """The page of ``plan sample``."""
    hardest = max(needs, key=lambda need: need.individuals)
    sections = [
        Section(
            "How many fish",
            text=(
                "A fish counts once, however many pictures it has. The numbers are for role cut, the fish that set "
                "the cutoffs; the others train and test the model.",
            ),
            tables=(need_table(needs),),
            quantities=[one for need in needs for one in need_quantities(need, cut_share=cut_share)],
            notes=(
                "Roles are drawn by trip: the shares are met on average, so image somewhat more.",
                "Decide the number before any score is read. Adding fish after a look is a new attempt.",
                "Spread the fish over the sizes, light, water and days that the gate will meet; a limit holds "
                "only for fish like those sampled.",
            ),
        ),
        Section(
            "Fish or trips",
            text=(
                "Fish of one trip share water, light and crew. A limit in mode fish takes them as independent; the "
                "trip modes do not, and count trips.",
            ),
            tables=(mode_table(hardest),),
        ),
        Section(
            "What other numbers of fish would show",
            tables=[
                shown_table(need.in_cut, need.confidence) for need in needs if need.in_cut and need.mode == "fish"
            ],
            pictures=(
                Picture(
                    figures.draw_limits(hardest.individuals, limit=hardest.limit, confidence=hardest.confidence),
                    "Falling lines: miss rate that can be shown against number of fish, for 0 to 3 misses.",
                    f"Exact upper limit of the miss rate at {level(hardest.confidence)}, by misses among "
                    "the fish. Both scales are logarithmic: ten times fewer misses need ten times more fish.",
                ),
            ),
        ),
        Section(
            "Chance that it works out",
            text=("A gate that is only just good enough usually fails its own proof. Aim well below the limit.",),
            tables=(chance_table(hardest),),
            pictures=(
                Picture(
                    figures.draw_chances(hardest.individuals, misses=hardest.misses, limit=hardest.limit),
                    "A falling line: chance to show the limit against the true miss rate.",
                    f"Chance that {hardest.individuals} fish show the limit, by the gate's true miss rate.",
                ),
            ),
        ),
        Section(
            "Why more pictures of the same fish do not help",
            text=("Pictures of one fish are alike: they tell how sure the gate is of that fish, not of others.",),
            quantities=images_quantities(hardest, images_per_fish=images_per_fish, alike=alike),
        ),
    ]
    return Page(
        title="How many fish to image",
        about=f"Site {site}" if site else "No site given",
        summary=[_sentence(need) for need in needs],
        sections=sections,
        cautions=CAUTIONS,
    )


def _sentence(need: Need) -> str:
    unit = "fish" if need.mode == "fish" else "trips that caught it"
    code = f"{need.code} ({need.name})" if need.code else "The class"
    rest = f"; {whole(need.missing)} are still missing" if need.missing else ""
    if need.missing == 0:
        rest = "; the store has them"
    misses = "no miss" if need.misses == 0 else f"{need.misses} misses"
    return (
        f"{code}: image {whole(need.to_image)} {unit}, so that {whole(need.individuals)} with {misses} among them "
        f"can show a {need.kind} rate of at most {percent(need.limit, digits=1)}, per presentation, for fish like "
        f"those sampled{rest}."
    )


def to_image_of(needs: Sequence[Need], *, cut_share: float) -> dict[str, int]:
    """Fish to image per class for the field sheet: what is missing where the store was asked, else all.

    A class with two limits gets the larger number.
    """
    targets: dict[str, int] = {}
    for need in needs:
        fish = need.missing if need.missing is not None else over_share(need.individuals, cut_share)
        targets[need.code] = max(fish, targets.get(need.code, 0))
    return targets
