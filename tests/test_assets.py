"""Package data is found wherever the package is installed."""

import tomllib
from pathlib import Path

import pytest

from rimward.live.assets import config_text, demo_clip, tone_wav
from rimward.live.records import Tone

SOUNDS = Path(__file__).parents[1] / "sounds"


@pytest.mark.parametrize("tone", Tone)
def test_every_tone_ships(tone: Tone) -> None:
    assert tone_wav(tone) == (SOUNDS / f"{tone.value}.wav").read_bytes()


def test_the_default_settings_ship() -> None:
    assert tomllib.loads(config_text("default.toml"))


def test_an_unknown_settings_file_is_named() -> None:
    with pytest.raises(FileNotFoundError, match="nosuch"):
        config_text("nosuch.toml")


def test_the_demo_clip_is_a_file_while_the_context_lasts() -> None:
    with demo_clip() as path:
        assert path.name == "demo_clip.mp4"
        assert path.read_bytes()[4:8] == b"ftyp"  # ISO base media file format, ISO/IEC 14496-12
