"""What to say after a rep: at most one cue, the most important clear fault, never the same words twice in a row.

A pure function of the findings and of what was said before. Silence inside the band is the reward (bandwidth feedback:
Cruz et al. 2018, Motricidade 14(2-3)), one instruction at a time is what can be used (Buszard et al. 2017, Front.
Psychol. 8:1350).
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence

from .errors import SettingsError
from .records import Cue, Feedback, Finding, Mark, Tone

Words = Mapping[tuple[str, str], tuple[str, ...]]
"""(check, "below" or "above") -> ways to say it."""

_TONES = {"below": Tone.LOW, "above": Tone.HIGH}


def read_words(text: str, name: str) -> Words:
    """The word table of one language (TOML): a table per check, a list of texts per verdict.

    Raises SettingsError naming the file, the check and what must be.
    """
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{name}: must be valid TOML, found: {error}") from None
    words: dict[tuple[str, str], tuple[str, ...]] = {}
    for check, table in tables.items():
        for verdict, texts in table.items():
            if verdict not in _TONES or not isinstance(texts, list) or not texts:
                raise SettingsError(f"{name}: {check}.{verdict} must be a list of texts under below or above")
            for said in texts:
                try:
                    Cue(said, check)
                except ValueError as error:
                    raise SettingsError(f"{name}: {check}.{verdict}: {error}") from None
            words[check, verdict] = tuple(texts)
    return words


def respond(t_s: float, findings: Sequence[Finding], said: Sequence[Cue], words: Words) -> Feedback:
    """Tone and cue for a rep that is over. `findings` are in order of importance, `said` holds the session's cues."""
    for finding in findings:
        texts = words.get((finding.check, finding.verdict), ())
        if texts:
            return Feedback(t_s, _TONES[finding.verdict], Cue(_next_text(finding.check, texts, said), finding.check))
    return Feedback(t_s, Tone.COUNT)


def mark(findings: Sequence[Finding]) -> Mark | None:
    """The sign for the screen; None when nothing was judged."""
    if any(finding.verdict in _TONES for finding in findings):
        return Mark.OUT_OF_BAND
    if any(finding.verdict == "unsure" for finding in findings):
        return Mark.UNSURE
    return Mark.IN_BAND if findings else None


def _next_text(check: str, texts: tuple[str, ...], said: Sequence[Cue]) -> str:
    """The text after the one used last for this check, round and round."""
    used = [cue.text for cue in said if cue.check == check and cue.text in texts]
    return texts[(texts.index(used[-1]) + 1) % len(texts)] if used else texts[0]
