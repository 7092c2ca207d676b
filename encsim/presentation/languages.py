"""A language of the page: its table of words, and the sentences of results said in it, found by their English patterns.

A result says English: a title, a cause, a measure, a doubt, the words of a picture. A pattern is such a text with {}
for each part that varies: a number with its unit, or words that have a pattern of their own.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from .. import wording

# A text is taken apart at the ends of sentences, and where it is a list.
SENTENCES = re.compile(r"(?<=[.!?]) (?=[^\s\d])")
LISTS = ("; ", ", ", " and ")
# Names of units, which are the same in every language, and keys of the axis file.
SAME = frozenset(
    {"arcsec", "deg", "dB", "rad", "mrad", "nrad", "kg", "x", "min", "GHz"}.union(
        *(re.findall(r"[^\W\d_]+", name) for units in wording.UNITS.values() for name in units)
    )
)
KEYS = re.compile(r"\b[a-z]+\.[a-z_]+\b")


@dataclass(frozen=True)
class Language:
    """The table of one language.

    Attributes
    ----------
    code : str
    words : mapping of str to str or list of str
        Words of the page by ``section.key``.
    results : mapping of str to str
        {English pattern of what results say: the same pattern in this language}; empty ones stay English.
    """

    code: str
    words: Mapping[str, Any]
    results: Mapping[str, str]

    @property
    def meanings(self) -> dict[str, str]:
        """Terms that the page explains, with their meaning."""
        return {
            key.partition(".")[2]: words for key, words in self.words.items() if key.startswith("meanings.")
        }

    def told(self, text: str) -> str:
        """What a result says; in English where the table does not have it."""
        said = self.found(text) if self._other else None
        return text if said is None else said

    @functools.cached_property
    def _other(self) -> bool:
        """Whether it says anything otherwise than in English."""
        return any(self.results.values())

    @functools.cached_property
    def _patterns(self) -> list[tuple[re.Pattern[str], str]]:
        """Patterns with places, those with most letters first."""
        placed = [(english, said) for english, said in self.results.items() if "{}" in english]
        placed.sort(key=lambda pair: -len(pair[0].replace("{}", "")))
        return [
            (re.compile("(.+?)".join(map(re.escape, english.split("{}")))), said or english)
            for english, said in placed
        ]

    @functools.cached_property
    def _known(self) -> dict[str, str | None]:
        return {}

    def found(self, text: str) -> str | None:
        """What a result says in this language; None where the table does not have it."""
        if text not in self._known:
            self._known[text] = self._said(text)
        return self._known[text]

    def _said(self, text: str) -> str | None:
        if set(re.findall(r"[^\W\d_]+", KEYS.sub("", text))) <= SAME:
            return text
        if text in self.results:
            return self.results[text] or text
        sentences = SENTENCES.split(text)
        if len(sentences) > 1:
            return self._joined(sentences, " ")
        if text.endswith("."):
            said = self.found(text[:-1])
            return None if said is None else f"{said}."
        return self._by_pattern(text) or self._listed(text) or self._other_letter(text)

    def _by_pattern(self, text: str) -> str | None:
        """A text that a pattern fits, each of its parts said."""
        for pattern, said in self._patterns:
            match = pattern.fullmatch(text)
            parts = [self.found(part) for part in match.groups()] if match else [None]
            if None not in parts:
                return said.format(*parts)
        return None

    def _listed(self, text: str) -> str | None:
        """A list of texts that are all known."""
        for between in LISTS:
            if between in text:
                joint = between if between != " and " else self._and
                said = self._joined(text.split(between), joint)
                if said is not None:
                    return said
        return None

    @property
    def _and(self) -> str:
        """What stands between the last two of a list."""
        return str(self.words["page.and"]).format(first="", last="")

    def _other_letter(self, text: str) -> str | None:
        """A text that the table has with a small letter in front for a capital one, or the other way round."""
        small = text[:1].isupper()
        flipped = text[:1].swapcase() + text[1:]
        said = self.results.get(flipped) or flipped if flipped in self.results else self._by_pattern(flipped)
        if said is None:
            return None
        return wording.sentence(said) if small else said[:1].lower() + said[1:]

    def _joined(self, texts: list[str], between: str) -> str | None:
        said = [self.found(each) for each in texts]
        return None if None in said else between.join(map(str, said))
