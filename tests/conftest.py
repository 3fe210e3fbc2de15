"""What many tests share: the shipped settings and words, the pose model, the reference clips beside the checkout."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import settings as hypothesis_settings
from program import prepared_model

from rimward.live.assets import config_text
from rimward.live.clip import hush_opencv
from rimward.live.settings import Settings, load_settings
from rimward.live.words import Words, read_words

# FFmpeg takes its log level once in a process, at its first use, and many tests look at standard error. That the
# program asks for quiet by itself is tested in a process of its own (test_cli.py).
hush_opencv()

# no deadlines: a busy machine is no failure; derandomized: the same examples on every run
hypothesis_settings.register_profile("rimward", deadline=None, derandomize=True, print_blob=True)
hypothesis_settings.load_profile("rimward")


@pytest.fixture(scope="session")
def shipped() -> Settings:
    """The settings as shipped."""
    return load_settings()


@pytest.fixture(scope="session")
def words() -> Words:
    """The shipped English cues."""
    return read_words(config_text("words_en.toml"), "words_en.toml")


@pytest.fixture(scope="session")
def german() -> Words:
    """The shipped German ones."""
    return read_words(config_text("words_de.toml"), "words_de.toml")


@pytest.fixture(scope="session")
def pose_bundle() -> Path:
    """The prepared pose model; tests that need it carry the marker `network`."""
    return prepared_model()


@pytest.fixture(scope="session")
def truth_folder() -> Path:
    """The reference clips beside the checkout; tests that need them carry the marker `truth`."""
    folder = Path(__file__).resolve().parents[1].parent / "shared" / "truth"
    if not folder.is_dir():
        pytest.skip("no reference clips beside the checkout (../shared/truth)")
    return folder
