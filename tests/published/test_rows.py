"""The tables themselves: every number says where it comes from, once, and is used."""

import re
from pathlib import Path

HERE = Path(__file__).parent
Tables = dict[str, list[dict[str, str]]]

NEEDED = {"id", "quantity", "expected", "digits", "tag", "source"}
TAGS = {"published", "recalled", "computed"}
PROGRAMS = re.compile(r"SciPy|NumPy|statsmodels|Python|R \d|by hand", re.IGNORECASE)


def test_there_are_tables(tables: Tables) -> None:
    assert {"binomial", "agreement", "sequential", "charts", "clusters"} <= set(tables)


def test_every_row_has_tag_and_source(tables: Tables) -> None:
    for name, rows in tables.items():
        assert rows, name
        assert set(rows[0]) >= NEEDED, name
        for row in rows:
            assert row["tag"] in TAGS, (name, row["id"], row["tag"])
            assert all(row[key] for key in NEEDED), (name, row["id"])
            assert None not in row, (name, row["id"], "more cells than headings")


def test_a_computed_row_names_the_other_program(tables: Tables) -> None:
    for name, rows in tables.items():
        for row in rows:
            assert row["tag"] != "computed" or PROGRAMS.search(row["source"]), (name, row["id"])


def test_expected_numbers_are_printed_with_their_digits(tables: Tables) -> None:
    for name, rows in tables.items():
        for row in rows:
            words, digits = row["expected"].split(), row["digits"].split()
            assert len(digits) in (1, len(words)), (name, row["id"])
            for word, places in zip(words, digits * len(words) if len(digits) == 1 else digits, strict=True):
                printed = len(word.partition(".")[2]) if "e" not in word else int(places)
                assert int(places) <= printed, (name, row["id"], word, "fewer digits printed than claimed")


def test_ids_are_unique(tables: Tables) -> None:
    ids = [row["id"] for rows in tables.values() for row in rows]
    twice = {one for one in ids if ids.count(one) > 1}
    assert not twice


def test_every_table_is_used_by_a_test(tables: Tables) -> None:
    used = {
        name
        for path in HERE.glob("test_*.py")
        for name in re.findall(r'^TABLE = "(\w+)"', path.read_text(encoding="utf-8"), flags=re.MULTILINE)
    }
    assert set(tables) == used
