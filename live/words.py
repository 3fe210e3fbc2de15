"""The words of one language: a table per check, and what the screen shows, in config/words_LANGUAGE.toml. Pure."""

from __future__ import annotations

import string
from collections.abc import Mapping

from .errors import SettingsError
from .records import Cue
from .toml_text import parse, place

Words = Mapping[tuple[str, str], tuple[str, ...]]
"""(check, kind) -> ways to say it. Kinds: `below` and `above` by the effect, `internal_below` and `internal_above` by
the body, `praise`, `ask`, `name`; ("prompts", name) for what a drill says, ("screen", name) for what the screen shows,
and ("measurements", name) where a language has other labels than glossary.py."""

LANGUAGES = ("en", "de")
LISTS = ("below", "above", "internal_below", "internal_above", "praise")
ONE = ("ask", "name")
FREE = ("screen", "measurements")
"""Tables of texts of any length, which may fill in what the caller knows."""
PROMPTS: Mapping[str, frozenset[str]] = {
    "rest": frozenset({"seconds"}),
    "rest_over": frozenset(),
    "spot": frozenset({"spot"}),
    "quiet": frozenset({"reps"}),
    "quiet_one": frozenset(),
    "done": frozenset({"drill"}),
    "resting": frozenset({"seconds"}),
    "turn": frozenset({"player"}),
    "who": frozenset({"player"}),
    "camera_moved": frozenset(),
}
"""What is said beside the cues, and the places that the text may fill in."""


def read_words(text: str, name: str) -> Words:
    """The word table of one language. Raises SettingsError naming the file, the line, the check and what must be."""
    words: dict[tuple[str, str], tuple[str, ...]] = {}
    for check, table in parse(text, name).items():
        if not isinstance(table, dict):
            raise SettingsError(f"{place(text, name, (check,))}: {check} must be a table ([{check}])")
        for kind, said in table.items():
            try:
                if check in FREE:
                    words[check, kind] = _free(said)
                else:
                    words[check, kind] = _prompt(kind, said) if check == "prompts" else _texts(check, kind, said)
            except ValueError as error:
                raise SettingsError(f"{place(text, name, (check, kind))}: {check}.{kind}: {error}") from None
    return words


def _texts(check: str, kind: str, said: object) -> tuple[str, ...]:
    if kind in ONE:
        if not isinstance(said, str):
            raise ValueError(f"must be one text in quotes, got {said!r:.60}")
        texts = [said]
    elif kind in LISTS:
        if not isinstance(said, list) or not said or not all(isinstance(one, str) for one in said):
            raise ValueError(f"must be a list of texts, got {said!r:.60}")
        texts = said
    else:
        raise ValueError(f"must be one of {', '.join((*LISTS, *ONE))}")
    for one in texts:
        Cue(one, check)
        if not one.isprintable():
            raise ValueError(f"must be printable text, got {one!r:.60}")
    return tuple(texts)


def _free(said: object) -> tuple[str, ...]:
    texts = said if isinstance(said, list) else [said]
    for one in texts:
        if not isinstance(one, str) or not one.strip() or not one.isprintable():
            raise ValueError(f"must be texts in quotes, got {said!r:.60}")
        if not all(field is None or field.isidentifier() for _, field, _, _ in string.Formatter().parse(one)):
            raise ValueError(f"may fill in names only, got {one!r:.60}")
    return tuple(texts)


def _prompt(kind: str, said: object) -> tuple[str, ...]:
    if kind not in PROMPTS:
        raise ValueError(f"must be one of {', '.join(PROMPTS)}")
    if not isinstance(said, str) or not said.strip() or not said.isprintable():
        raise ValueError(f"must be one text in quotes, got {said!r:.60}")
    places = {field for _, field, _, _ in string.Formatter().parse(said) if field is not None}
    if not places <= PROMPTS[kind]:
        allowed = ", ".join(f"{{{field}}}" for field in sorted(PROMPTS[kind])) or "nothing"
        raise ValueError(f"may fill in {allowed}, got {said!r:.60}")
    return (said,)


def prompt(words: Words, kind: str, **filled: object) -> str:
    """A drill's sentence with its places filled in; empty when the table has none."""
    return _filled(words, "prompts", kind, filled)


def text(words: Words, key: str, /, **filled: object) -> str:
    """What the screen shows, with its places filled in; empty when the table has none."""
    return _filled(words, "screen", key, filled)


def count_of_reps(words: Words, count: int) -> str:
    """1 rep, 2 reps."""
    return text(words, "one_rep" if count == 1 else "reps", count=count)


def decimals_of(words: Words, number: str) -> str:
    """A number with a decimal point as this language writes it."""
    return number.replace(".", text(words, "decimal_mark") or ".")


def _filled(words: Words, table: str, key: str, filled: Mapping[str, object]) -> str:
    texts = words.get((table, key))
    return texts[0].format(**filled) if texts else ""
