"""What a PIT code can hold, by the standard's bit table."""

from collections.abc import Callable

from passage_cv.intake.mark_checks import ISO_CODES, ISO_NUMBERS

TABLE = "tags"


def test_tags(row: dict[str, str], agrees: Callable[..., None]) -> None:
    agrees(row, ISO_NUMBERS, ISO_CODES)
