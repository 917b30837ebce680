"""The book balances or says where not, refuses what it cannot read, and feeds the other plans."""

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.errors import InputError
from passage_cv.planning import tally
from passage_cv.planning.run_size import chapman
from passage_cv.planning.tally import FATES, MARKS, SEXES, Book, Lot, TrapLine
from passage_cv.planning.tally_files import empty_book, read_book, write_book

DAY = date(2031, 4, 20)


def line(row: int = 2, **change: object) -> TrapLine:
    plain = TrapLine(
        row=row,
        day=DAY,
        site="QMR-KBW-01",
        trap="T1",
        sex="M",
        mark="unclipped",
        caught=5,
        removed=2,
        to_treatment=3,
        released=0,
        dead=0,
        in_tank=0,
    )
    return replace(plain, **change)  # type: ignore[arg-type]


def lot(row: int = 2, **change: object) -> Lot:
    plain = Lot(
        row=row,
        lot="L1",
        treated_on=DAY,
        received=3,
        agent_lot="A-77",
        dose="as labelled",
        operator="RKV",
        clip="LV",
        died=1,
        in_tank=0,
        released=2,
        released_on=DAY + timedelta(days=2),
        place="QMR-KBW-02",
    )
    return replace(plain, **change)  # type: ignore[arg-type]


def book(*lines: TrapLine, lots: tuple[Lot, ...] = ()) -> Book:
    return Book(lines, lots, "book")


def kinds(found: Book) -> list[str]:
    return [finding.kind for finding in tally.check_book(found)]


@st.composite
def balanced_books(draw: st.DrawFn) -> Book:
    """Days of one or two traps in which every fish gets a fate; the tank is emptied into the next day."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    lines: list[TrapLine] = []
    for trap in ("T1", "T2")[: draw(st.integers(1, 2))]:
        tank: dict[tuple[str, str], int] = {}
        for day in range(draw(st.integers(1, 4))):
            for sex in SEXES:
                for mark in MARKS:
                    caught = int(rng.integers(0, 6))
                    fish = caught + tank.get((sex, mark), 0)
                    parts = dict(zip(FATES, rng.multinomial(fish, np.full(5, 0.2)).tolist(), strict=True))
                    tank[sex, mark] = parts["in_tank"]
                    lines.append(
                        line(
                            len(lines) + 2,
                            trap=trap,
                            day=DAY + timedelta(days=day),
                            sex=sex,
                            mark=mark,
                            caught=caught,
                            **parts,
                        )
                    )
    return book(*[lines[i] for i in rng.permutation(len(lines))])


@given(balanced_books())
def test_a_book_in_which_every_fish_has_a_fate_balances(found: Book) -> None:
    assert all(balance.missing == 0 for balance in tally.balances(found))
    assert "does not balance" not in kinds(found)
    sums = tally.totals(found)
    caught = sum(cell["caught"] for cell in sums.values())
    assert caught == sum(cell[fate] for cell in sums.values() for fate in FATES)


@given(balanced_books(), st.integers(0, 10_000), st.sampled_from(FATES), st.integers(1, 5))
def test_a_fish_too_many_is_found_at_its_trap_and_day(found: Book, where: int, fate: str, fish: int) -> None:
    lines = list(found.traps)
    at = where % len(lines)
    lines[at] = replace(lines[at], **{fate: getattr(lines[at], fate) + fish})
    wrong = [b for b in tally.balances(book(*lines)) if b.missing]
    assert (wrong[0].trap, wrong[0].day, wrong[0].missing) == (lines[at].trap, lines[at].day, -fish)
    assert "does not balance" in kinds(book(*lines))


def test_the_tank_is_part_of_the_next_day() -> None:
    first = line(2, caught=4, removed=1, to_treatment=0, in_tank=3)
    second = line(3, day=DAY + timedelta(days=1), caught=2, removed=0, to_treatment=5, in_tank=0)
    assert [(b.opening, b.missing) for b in tally.balances(book(second, first))] == [(0, 0), (3, 0)]


def test_a_sex_settled_overnight_still_balances() -> None:
    first = line(2, sex="U", caught=1, removed=0, to_treatment=0, in_tank=1)
    second = line(3, sex="F", day=DAY + timedelta(days=1), caught=0, removed=1, to_treatment=0)
    assert kinds(book(first, second)) == []


def test_a_missing_fish_names_trap_day_and_rows() -> None:
    (finding,) = (f for f in tally.check_book(book(line(removed=1))) if f.kind == "does not balance")
    assert finding.severity == "must resolve"
    assert finding.message == (
        "Trap T1 at QMR-KBW-01 on 2031-04-20: 0 in the tank and 5 caught make 5, but 4 are accounted for: "
        "1 fish without a fate (rows 2)."
    )


def test_a_clipped_female_must_be_resolved() -> None:
    clipped = line(sex="F", mark="clipped", caught=1, removed=1, to_treatment=0, second_mark=1)
    (finding,) = tally.check_book(book(clipped))
    assert (finding.kind, finding.severity) == ("clipped female", "must resolve")
    (settled,) = tally.check_book(book(replace(clipped, resolution="torn fin, no clip")))
    assert settled.severity == "note"
    assert "torn fin" in settled.message


def test_recaptures_without_a_second_mark_warn_of_double_counts() -> None:
    again = line(mark="clipped", caught=4, released=4, removed=0, to_treatment=0, second_mark=1)
    (finding,) = tally.check_book(book(again))
    assert finding.kind == "may be counted twice"
    assert finding.message.startswith("3 recaptured fish without a second mark (rows 2)")
    assert tally.DOUBLE_COUNT in finding.message
    assert tally.check_book(book(replace(again, second_mark=4))) == ()


@pytest.mark.parametrize(
    ("found", "kind"),
    [
        (book(line(), line(3, caught=0, removed=0, to_treatment=0), lots=(lot(),)), "line twice"),
        (book(line(second_mark=6), lots=(lot(),)), "more second marks than fish"),
        (book(line(sex="F"), lots=(lot(),)), "not a male"),
        (book(line(mark="clipped", second_mark=5), lots=(lot(),)), "treated twice"),
        (book(line(), lots=(lot(died=0),)), "lot does not balance"),
        (book(line(), lots=(lot(agent_lot=""),)), "lot incomplete"),
        (book(line(), lots=(lot(released_on=None),)), "lot incomplete"),
        (book(line(), lots=(lot(released_on=DAY - timedelta(days=1)),)), "released before treated"),
        (book(line(), lots=(lot(received=4, died=2),)), "more treated than sent"),
        (book(line()), "on the way"),
    ],
)
def test_each_question_is_asked(found: Book, kind: str) -> None:
    assert kinds(found) == [kind]


def test_a_whole_book_has_no_question() -> None:
    assert kinds(book(line(), lots=(lot(),))) == []


def test_the_book_feeds_run_size_and_season() -> None:
    late = DAY + timedelta(days=5)
    found = book(
        line(2, caught=60, removed=0, to_treatment=60),
        line(3, sex="F", caught=40, removed=40, to_treatment=0),
        line(4, day=late, caught=80, removed=80, to_treatment=0),
        line(5, day=late, mark="clipped", caught=10, removed=1, released=9, to_treatment=0),
        line(6, day=late, mark="not examined", caught=7, removed=7, to_treatment=0),
        line(7, day=late, sex="U", caught=2, removed=2, to_treatment=0),
        lots=(lot(received=60, died=5, released=55),),
    )
    counts = tally.mark_counts(found)
    assert (counts.marked, counts.caught, counts.recaptured, counts.left_out) == (55, 90, 10, 9)
    # (56 * 91 / 11) - 1, by hand
    assert chapman(counts.marked, counts.caught, counts.recaptured).estimate == pytest.approx(462.2727, abs=1e-4)
    assert tally.sterile_at_large(found) == 54
    assert tally.female_share(found) == pytest.approx(40 / 180)


def test_a_book_without_releases_gives_no_run_size() -> None:
    with pytest.raises(InputError, match="No release lot"):
        tally.mark_counts(book(line()))
    with pytest.raises(InputError, match="No trap line is later than the last release on 2031-04-22"):
        tally.mark_counts(book(line(), lots=(lot(),)))
    assert tally.female_share(book(line(mark="clipped"))) is None


@pytest.mark.parametrize("name", ["book", "book.xlsx"])
def test_a_book_reads_back_as_written(tmp_path: Path, name: str) -> None:
    found = book(
        line(2, resolution='said "no clip", so'),
        line(3, sex="U", mark="not examined"),
        lots=(lot(), lot(3, lot="007", released=0, in_tank=2, released_on=None, place="")),
    )
    write_book(found, tmp_path / name)
    again = read_book(tmp_path / name)
    assert (again.traps, again.lots) == (found.traps, found.lots)


def test_days_typed_into_a_spreadsheet_are_days(tmp_path: Path) -> None:
    path = tmp_path / "book.xlsx"
    write_book(book(line()), path)
    workbook = openpyxl.load_workbook(path)
    workbook["traps"]["A2"] = DAY
    workbook.save(path)
    assert read_book(path).traps[0].day == DAY


def test_an_empty_book_has_its_headings_and_asks_for_lines(tmp_path: Path) -> None:
    for target in (tmp_path / "book", tmp_path / "book.xlsx"):
        empty_book(target)
        with pytest.raises(InputError, match="Book has no trap line"):
            read_book(target)


def test_cells_that_cannot_be_read_are_named_all_at_once(tmp_path: Path) -> None:
    write_book(book(line(), line(3), line(4), line(5), line(6)), tmp_path)
    text = (tmp_path / "traps.csv").read_text()
    rows = text.splitlines()
    rows[1] = rows[1].replace("2031-04-20", "20/04/2031")
    rows[2] = rows[2].replace(",M,", ",male,")
    rows[3] = rows[3].replace("unclipped", "AD")
    rows[4] = rows[4].replace(",5,2,", ",five,2,")
    rows[5] = rows[5].replace(",5,2,", ",,2,")
    (tmp_path / "traps.csv").write_text("\n".join(rows))
    with pytest.raises(InputError) as refused:
        read_book(tmp_path)
    for part in (
        "traps row 2: date is '20/04/2031'",
        "traps row 3: sex is 'male', allowed are M, F, U",
        "traps row 4: mark is 'AD', allowed are clipped, unclipped, not examined",
        "traps row 5: caught is 'five'",
        "traps row 6: caught is ''",
    ):
        assert part in str(refused.value)


def test_missing_files_columns_and_worksheets_are_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"Book needs traps\.csv"):
        read_book(tmp_path)
    (tmp_path / "traps.csv").write_text("date,site\n2031-04-20,X\n")
    with pytest.raises(InputError, match="Columns are missing: trap, sex, mark, caught"):
        read_book(tmp_path)
    with pytest.raises(InputError, match="Book is missing"):
        read_book(tmp_path / "none.xlsx")
    (tmp_path / "bad.xlsx").write_bytes(b"no spreadsheet")
    with pytest.raises(InputError, match="Book is not XLSX"):
        read_book(tmp_path / "bad.xlsx")
    openpyxl.Workbook().save(tmp_path / "other.xlsx")
    with pytest.raises(InputError, match="Worksheets are Sheet"):
        read_book(tmp_path / "other.xlsx")
