"""The tones: what they are, that they are what the script makes, and that all are equally loud."""

import io
import runpy
import wave
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import lfilter, resample_poly

from rimward.live.assets import tone_wav
from rimward.live.records import Tone

FEEDBACK = [tone for tone in Tone if tone is not Tone.HOLD]

SCRIPT = runpy.run_path(str(Path(__file__).parents[1] / "sounds" / "make_tones.py"))
RATE_HZ = 44_100


def samples_of(tone: Tone) -> np.ndarray:
    with wave.open(io.BytesIO(tone_wav(tone))) as file:
        return np.frombuffer(file.readframes(file.getnframes()), "<i2")


def loudness_by_filters(samples: np.ndarray) -> float:
    """BS.1770 in the time domain at its own 48 kHz: the other way round from the script, which weighs a spectrum."""
    at_48k = resample_poly(np.pad(samples, (0, round(0.4 * RATE_HZ) - len(samples))), 160, 147)
    for numerator, denominator in (SCRIPT["SHELF"], SCRIPT["HIGH_PASS"]):
        at_48k = lfilter(numerator, denominator, at_48k)
    return float(-0.691 + 10 * np.log10(np.mean(at_48k**2)))


def main_pitches(tone: Tone, parts: int) -> list[float]:
    """The strongest frequency in each of `parts` equal stretches."""
    pitches = []
    for part in np.array_split(samples_of(tone) / 32768, parts):
        power = np.abs(np.fft.rfft(part * np.hanning(len(part)), 1 << 16))
        pitches.append(float(np.argmax(power) * RATE_HZ / (1 << 16)))
    return pitches


@pytest.mark.parametrize("tone", Tone)
def test_every_tone_is_a_short_16_bit_mono_wav(tone: Tone) -> None:
    with wave.open(io.BytesIO(tone_wav(tone))) as file:
        assert (file.getframerate(), file.getsampwidth(), file.getnchannels()) == (RATE_HZ, 2, 1)
        assert 0.08 <= file.getnframes() / RATE_HZ <= 0.35


@pytest.mark.parametrize("tone", Tone)
def test_the_file_is_what_the_script_makes(tone: Tone) -> None:
    made = SCRIPT["make"]()[tone.value]
    # one step of 16 bits: sine and tanh may differ in the last place between processors
    np.testing.assert_allclose(samples_of(tone), made, atol=1)


def test_the_script_makes_nothing_that_no_tone_names() -> None:
    assert set(SCRIPT["make"]()) == {tone.value for tone in Tone}


@pytest.mark.parametrize("tone", FEEDBACK)
def test_a_tone_neither_clips_nor_hides(tone: Tone) -> None:
    peak_dbfs = 20 * np.log10(np.abs(samples_of(tone).astype(float)).max() / 32768)
    assert -6.0 <= peak_dbfs <= -0.99


@pytest.mark.parametrize("tone", Tone)
def test_a_tone_starts_and_ends_without_a_click(tone: Tone) -> None:
    samples = samples_of(tone).astype(float)
    assert np.abs(samples[[0, -1]]).max() <= 1
    first_ms, last_ms = samples[:44], samples[-44:]
    assert max(np.abs(first_ms).max(), np.abs(last_ms).max()) < 0.1 * np.abs(samples).max()


def test_all_tones_are_equally_loud() -> None:
    loudness = [loudness_by_filters(samples_of(tone) / 32768) for tone in FEEDBACK]
    assert max(loudness) - min(loudness) < 1.0


def test_the_loudness_meter_reads_the_anchor_of_its_standard() -> None:
    """ITU-R BS.1770: a 0 dB FS sine of 997 Hz in one front channel reads -3.01 LKFS."""
    sine = np.sin(2 * np.pi * 997 * np.arange(round(0.4 * RATE_HZ)) / RATE_HZ)
    assert SCRIPT["loudness_lkfs"](sine) == pytest.approx(-3.01, abs=0.02)
    assert loudness_by_filters(sine) == pytest.approx(-3.01, abs=0.05)


@pytest.mark.parametrize("tone", FEEDBACK)
def test_a_tone_lies_where_small_loudspeakers_are_good(tone: Tone) -> None:
    samples = samples_of(tone) / 32768
    power = np.abs(np.fft.rfft(samples)) ** 2
    hz = np.fft.rfftfreq(len(samples), 1 / RATE_HZ)
    assert power[(hz >= 1000) & (hz <= 4000)].sum() > 0.9 * power.sum()
    assert 20 * np.log10(np.abs(samples).max() / np.sqrt(np.mean(samples**2))) < 6  # a sine has 3 dB


def test_rising_and_falling_mean_what_they_sound_like() -> None:
    assert all(b > a for a, b in pairwise(main_pitches(Tone.HIGH, 4)))
    assert all(b < a for a, b in pairwise(main_pitches(Tone.LOW, 4)))
    first, second = main_pitches(Tone.IN_BAND, 2)
    assert second / first == pytest.approx(3 / 2, rel=0.01)  # a fifth
    first, second = main_pitches(Tone.OUT_OF_BAND, 2)
    assert second == pytest.approx(first, rel=0.01)
    made = main_pitches(Tone.MADE, 4)
    assert made[0] < made[1] < made[3]


def test_the_hold_tone_is_softer_than_the_others_and_repeats_without_a_seam() -> None:
    """It goes on for as long as the ball is held: it may not drown the tone that says how the shot was."""
    samples = samples_of(Tone.HOLD) / 32768
    softer_db = loudness_by_filters(samples_of(Tone.COUNT) / 32768) - loudness_by_filters(samples)
    assert 4 < softer_db < 8
    twice = np.tile(samples, 2)
    steps = np.abs(np.diff(twice))
    assert steps[len(samples) - 5 : len(samples) + 5].max() <= steps.max() / 10
    pitches = main_pitches(Tone.HOLD, 3)
    assert max(pitches) / min(pitches) < 1.02
    assert 1000 < pitches[0] < 4000


def test_no_two_tones_sound_alike() -> None:
    """Told apart by pitch over time and by pauses: the short-time spectra of no two tones are alike."""

    def picture(tone: Tone) -> np.ndarray:
        samples = np.pad(samples_of(tone) / 32768, (0, RATE_HZ))[: round(0.35 * RATE_HZ)]
        hz = np.fft.rfftfreq(4096, 1 / RATE_HZ)
        bands = np.geomspace(800, 5000, 24)
        rows = []
        for part in np.array_split(samples, 10):
            power = np.abs(np.fft.rfft(part * np.hanning(len(part)), 4096)) ** 2
            rows.append([np.sqrt(power[(hz >= a) & (hz < b)].sum()) for a, b in pairwise(bands)])
        flat = np.ravel(rows)
        return flat / np.linalg.norm(flat)

    pictures = {tone: picture(tone) for tone in FEEDBACK}
    for a in FEEDBACK:
        for b in FEEDBACK:
            if a is not b:
                assert float(pictures[a] @ pictures[b]) < 0.8, (a, b)
