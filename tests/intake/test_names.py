"""The curated list: whole, unambiguous, found under every name it carries."""

from pathlib import Path

import pytest

from passage_cv.errors import InputError
from passage_cv.intake.names import Species, any_names, read_species, shipped_names

DEMO_CODES = {  # handbook section 9
    "NSH": "Channa argus",
    "BCF": "Ictalurus furcatus",
    "ASE": "Monopterus albus",
    "AMS": "Alosa sapidissima",
    "STB": "Morone saxatilis",
    "WPE": "Morone americana",
    "WSK": "Catostomus commersonii",
    "EEL": "Anguilla rostrata",
    "BOW": "Amia calva",
    "WCF": "Ameiurus catus",
    "GZS": "Dorosoma cepedianum",
    "CCF": "Ictalurus punctatus",
    "SNS": "Acipenser brevirostrum",
}


@pytest.mark.parametrize(("code", "name"), DEMO_CODES.items())
def test_the_handbooks_codes(code: str, name: str) -> None:
    found = shipped_names().find(code)
    assert found is not None
    assert found.scientific_name == name


def test_every_species_is_found_by_each_of_its_names_in_any_case() -> None:
    names = shipped_names()
    assert len(names.species) >= 60
    for one in names.species:
        for name in (one.scientific_name, one.code, one.common_name, *one.synonyms):
            assert names.find(f"  {name.upper()} ") is one


def test_only_fish_with_an_adipose_fin_have_one() -> None:
    # Catfishes, trouts, smelts and trout-perches carry it [from memory of: general ichthyology texts].
    genera = {"Ictalurus", "Ameiurus", "Pylodictis", "Noturus", "Salmo", "Oncorhynchus", "Salvelinus", "Osmerus"}
    with_fin = {one.scientific_name.split()[0] for one in shipped_names().species if one.has_adipose}
    assert with_fin == genera | {"Percopsis"}


def test_an_unknown_name_is_none_unless_the_list_is_open() -> None:
    assert shipped_names().find("Dascyllus reticulatus") is None
    assert any_names().find(" Dascyllus  reticulatus") == Species("Dascyllus reticulatus")
    assert any_names().find("nsh") == shipped_names().find("NSH")
    assert any_names().find("  ") is None


def test_a_checklist_widens_the_list(tmp_path: Path) -> None:
    path = tmp_path / "checklist.csv"
    path.write_text("scientific_name,code\nDanio rerio,ZEB\nChanna argus,SNK\n", encoding="utf-8")
    names = shipped_names().widened(read_species(path))
    assert names.find("ZEB") == Species("Danio rerio", code="ZEB")
    snakehead = names.find("Channa argus")
    assert snakehead is not None
    assert (snakehead.code, snakehead.common_name) == ("SNK", "northern snakehead")
    assert names.find("NSH") is None  # the site's own code replaces ours
    assert names.find("AMS") is not None
    assert names.checklist == {"Danio rerio", "Channa argus"}


def test_one_name_for_two_species_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "checklist.csv"
    path.write_text("scientific_name,code\nDanio rerio,ZEB\nEquus zebra,zeb\n", encoding="utf-8")
    with pytest.raises(InputError, match="means both Danio rerio and Equus zebra"):
        read_species(path)
    path.write_text("name\nDanio rerio\n", encoding="utf-8")
    with pytest.raises(InputError, match="no column scientific_name"):
        read_species(path)
