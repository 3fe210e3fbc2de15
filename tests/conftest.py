"""What many tests share: the shipped settings and words, the pose model, the reference clips beside the checkout."""

from __future__ import annotations

import os
from pathlib import Path

import platformdirs
import pytest
from hypothesis import settings as hypothesis_settings

from rimward.live.assets import config_text
from rimward.live.clip import hush_opencv
from rimward.live.cues import Words, read_words
from rimward.live.errors import PoseModelError
from rimward.live.pose_model import check, model_path
from rimward.live.settings import Settings, load_settings

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
def pose_bundle() -> Path:
    """The prepared pose model; tests that need it carry the marker `network`."""
    given = os.environ.get("RIMWARD_DATA_DIR")
    path = model_path(Path(given) if given else platformdirs.user_data_path("rimward", appauthor=False))
    try:
        check(path)
    except PoseModelError as error:
        pytest.skip(str(error))
    return path


@pytest.fixture(scope="session")
def truth_folder() -> Path:
    """The reference clips beside the checkout; tests that need them carry the marker `truth`."""
    folder = Path(__file__).resolve().parents[1].parent / "shared" / "truth"
    if not folder.is_dir():
        pytest.skip("no reference clips beside the checkout (../shared/truth)")
    return folder
