"""Exceptions a person reads: what was found, where, and what to do about it.

Every refusal of the program is one of these. The same text serves the command line (exit code, no
traceback) and a web page. This module does not print.
"""

from __future__ import annotations


class PassageError(Exception):
    """A refusal, printed as ``what (where). do``.

    Parameters
    ----------
    what
        The values found and those allowed, without a full stop.
    where
        What the reader can open: the path as they gave it, the row as their spreadsheet shows it.
    do
        One instruction; it never weakens a demonstrated limit.

    Examples
    --------
    >>> str(PassageError("Cutoff is missing", where="cutoffs.json", do="Run calibrate again."))
    'Cutoff is missing (cutoffs.json). Run calibrate again.'
    """

    exit_code = 1

    def __init__(self, what: str, *, where: str = "", do: str = "") -> None:
        self.what, self.where, self.do = what, where, do
        place = f" ({where})" if where else ""
        super().__init__(f"{what}{place}." + (f" {do}" if do else ""))


class InputError(PassageError):
    """What was given cannot be used, or something must be resolved first (exit code 1)."""


class UsageError(PassageError):
    """The command was called wrongly (exit code 2)."""

    exit_code = 2


class PassageWarning(UserWarning):
    """Something the reader may ignore without harm; a broken assumption of a limit is an error instead."""
