"""Going back goes further back each time, and never forward again to a package that was left."""

from __future__ import annotations

import pytest

from passage_cv.web.releases import way_back
from passage_cv.web.tables import Release, Service

RELEASES = {name: Release(id=name) for name in "ABCD"}


@pytest.mark.parametrize(
    ("ran", "target"),
    [("A", ""), ("AB", "A"), ("ABC", "B"), ("ABCB", "A"), ("ABCBA", ""), ("ABCBC", "B"), ("ABCBD", "B")],
)
def test_what_a_site_goes_back_to(ran: str, target: str) -> None:
    lines = [Service(release_id=name, release=RELEASES[name], at=str(n)) for n, name in enumerate(ran)]
    way = way_back(lines[::-1])
    assert (way.release.id if way else "") == target


def test_until_is_when_the_present_package_first_came() -> None:
    lines = [Service(release_id=name, release=RELEASES[name], at=str(n)) for n, name in enumerate("ABCB")]
    way = way_back(lines[::-1])
    assert way is not None
    assert way.until == "1"


def test_nothing_to_go_back_to_without_a_history() -> None:
    assert way_back([]) is None
