"""What the core says, in another language: sentences are looked up by their English.

The core composes its sentences in English and knows no other language. A language's file gives a table of English
patterns with numbered gaps and what they become (``web/sentences.py`` finds the patterns). A sentence is looked up
whole, then by pattern, its gaps looked up in the same way, then piece by piece where it is a list or
"place: what". What is not found stays as it is: names, codes and numbers, and sentences that nobody translated yet.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache

GAP = re.compile(r"\{(\d+)\}")
_JOINTS = ("\n", "; ", ". ", ": ", ", or ", ", ", " (", " and ", " or ")
"""Between pieces of a composed sentence, coarse ones first."""
_JOINING = frozenset(["a", "and", "are", "at", "by", "for", "has", "in", "is", "of", "on", "or", "the", "to", "with"])
"""Words that many sentences have: a pattern of these alone fits by chance, so it comes last."""
_ENDS = ".:)"
_LONGEST = 4000
"""Characters; what is longer is no sentence and stays as it is."""
_REMEMBERED = 8192
_DEEPEST = 10
"""Sentences within sentences that are looked up; no cell that somebody typed can make it more."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """An English sentence with gaps: the texts around its gaps, their numbers, and the sentence it becomes."""

    around: tuple[str, ...]
    gaps: tuple[str, ...]
    then: str

    @property
    def is_loose(self) -> bool:
        """Whether its fixed text could stand in any sentence."""
        return _JOINING.issuperset(re.findall(r"[^\W\d_]+", " ".join(self.around)))

    @property
    def weight(self) -> int:
        """How much of a sentence it fixes; of two patterns that fit, the heavier one is meant."""
        return sum(map(len, self.around))

    def fill(self, text: str) -> dict[str, str] | None:
        """What stands in the gaps of a text, or None where the text is another sentence.

        Each fixed text is taken where it comes first, which finds a fit where there is one, in linear time.
        """
        first, *between = self.around
        last = between.pop()
        if len(text) < self.weight or not text.startswith(first) or not text.endswith(last):
            return None
        at, end = len(first), len(text) - len(last)
        found: list[str] = []
        for fixed in between:
            begin = text.find(fixed, at, end)
            if begin < 0:
                return None
            found.append(text[at:begin])
            at = begin + len(fixed)
        return dict(zip(self.gaps, [*found, text[at:end]], strict=True)) if at <= end else None


def read_pattern(english: str, then: str) -> Pattern:
    """A pattern of a language's table.

    Examples
    --------
    >>> read_pattern("Row {1} has {2}", "{2}: Zeile {1}").fill("Row 7 has no length")
    {'1': '7', '2': 'no length'}
    """
    pieces = GAP.split(english)
    return Pattern(tuple(pieces[::2]), tuple(pieces[1::2]), then)


class Said:
    """One language's sentences; called with an English one it gives the language's own.

    Examples
    --------
    >>> say = Said({"Row {1} has {2}": "Zeile {1} hat {2}", "no length": "keine Länge", "row {1}": "Zeile {1}"})
    >>> say("Row 7 has no length"), say("fish.csv: row 3"), say("as it is")
    ('Zeile 7 hat keine Länge', 'fish.csv: Zeile 3', 'as it is')
    """

    def __init__(self, table: Mapping[str, str]) -> None:
        self._whole = {english: then for english, then in table.items() if not GAP.search(english)}
        patterns = [read_pattern(english, then) for english, then in table.items() if GAP.search(english)]
        self._by_word = _index([one for one in patterns if not one.is_loose])
        self._loose = sorted((one for one in patterns if one.is_loose and one.weight), key=lambda one: -one.weight)
        self._look_up = lru_cache(maxsize=_REMEMBERED)(self._translate)

    def __call__(self, text: object) -> str:
        """The sentence in this language, as far as it is known."""
        english = str(text)
        if not (self._whole or self._by_word) or len(english) > _LONGEST:
            return english
        return self._look_up(english, _DEEPEST)

    def _translate(self, text: str, left: int) -> str:
        bare = text.strip()
        if not bare or not left:
            return text
        found = self._known(bare, left)
        if found is None:
            found = self._pieces(bare, left)
        if found == bare:
            found = self._fitted(bare, self._loose, left) or bare
        return text.replace(bare, found, 1) if bare != text else found

    def _known(self, text: str, left: int) -> str | None:
        """The text whole or by a pattern, with or without the sign that it ends with."""
        inner = text.rstrip(_ENDS)
        for one in (text, inner):
            if one in self._whole:
                return self._whole[one] + text[len(one) :]
        for one in dict.fromkeys((text, inner)):
            fitted = self._fitted(one, self._candidates(one), left)
            if fitted is not None:
                return fitted + text[len(one) :]
        return None

    def _fitted(self, text: str, patterns: Iterable[Pattern], left: int) -> str | None:
        """The text by the first pattern that fits, its gaps looked up in turn."""
        for pattern in patterns:
            gaps = pattern.fill(text)
            if gaps is not None:
                said = {number: self._look_up(gap, left - 1) for number, gap in gaps.items()}
                return GAP.sub(lambda gap, said=said: said[gap[1]], pattern.then)  # type: ignore[misc]
        return None

    def _candidates(self, text: str) -> Iterator[Pattern]:
        """Patterns that share their rarest word with the text, the heaviest first."""
        words = {"", *_words(text)}
        found = [pattern for word in words for pattern in self._by_word.get(word, ())]
        yield from sorted(found, key=lambda one: -one.weight)

    def _pieces(self, text: str, left: int) -> str:
        """A sentence whose pieces are known: joined as it was."""
        for joint in _JOINTS:
            pieces = text.split(joint)
            if len(pieces) > 1:
                between = re.sub("[a-z]+", lambda word: self._whole.get(word[0], word[0]), joint)
                return between.join(self._look_up(piece, left - 1) for piece in pieces)
        return text


def _index(patterns: list[Pattern]) -> dict[str, list[Pattern]]:
    """Each pattern under the rarest whole word of its fixed text; under "" where it has none."""
    words = [_whole_words(one) for one in patterns]
    often = Counter(word for found in words for word in found)
    index: dict[str, list[Pattern]] = defaultdict(list)
    for pattern, found in zip(patterns, words, strict=True):
        index[min(found, key=lambda word: (often[word], word), default="")].append(pattern)
    return dict(index)


def _words(text: str) -> set[str]:
    return set(re.findall(r"\w+", text))


def _whole_words(pattern: Pattern) -> set[str]:
    """Words of the fixed text that touch no gap, so that a fitting sentence has them as words too."""
    fixed = "\0".join(pattern.around)
    return {found[0] for found in re.finditer(r"(?<![\w\0])\w+(?![\w\0])", fixed)}
