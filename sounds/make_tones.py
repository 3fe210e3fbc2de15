"""Make the tones: one WAV per member of rimward.live.records.Tone, written beside this script.

    python sounds/make_tones.py

Nothing here is random, so anyone gets the same files. Every tone lies where a laptop's small loudspeaker and the ear
are both good (1 to 4 kHz; wind and traffic are loudest below), starts and ends softly so that it does not click, is
pressed to a low crest so that it carries outdoors, and is as loud as every other one by ITU-R BS.1770 (K-weighting).
Only the hold tone is softer: it sounds for as long as the ball is held, on and on, and must not drown the others.
"""

from __future__ import annotations

import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]

RATE_HZ = 44_100
PEAK_DBFS = -1.0
ATTACK_S = 0.006
RELEASE_S = 0.030
MOMENT_S = 0.400
"""EBU Tech 3341 measures momentary loudness over this window; all tones are shorter, so each fits whole."""

# ITU-R BS.1770-4, tables 1 and 2: the two sections of the K-weighting at 48 kHz, numerator then denominator.
SHELF = ((1.53512485958697, -2.69169618940638, 1.19839281085285), (1.0, -1.69065929318241, 0.73248077421585))
HIGH_PASS = ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621))
K_RATE_HZ = 48_000
K_OFFSET_DB = -0.691


def envelope(count: int, decay_s: float | None = None) -> Samples:
    """Raised-cosine start and end; with `decay_s` the level falls by 1/e in that time, as on a struck bar."""
    t = np.arange(count) / RATE_HZ
    rise = np.clip(t / ATTACK_S, 0, 1)
    fall = np.clip((t[-1] - t) / RELEASE_S, 0, 1)
    shape: Samples = (0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall))
    return shape if decay_s is None else shape * np.exp(-t / decay_s)


def voice(phase: Samples, harmonics: tuple[float, ...]) -> Samples:
    """Harmonics of a running phase, pressed by tanh: a fuller sound with a lower crest."""
    raw = sum(level * np.sin((n + 1) * phase) for n, level in enumerate(harmonics))
    pressed: Samples = np.tanh(1.6 * np.asarray(raw))
    return pressed


BELL = (1.0, 0.35, 0.12)
HOLLOW = (0.9, 0.0, 0.6, 0.0, 0.1)
"""Odd harmonics only: a wooden sound that nobody takes for the bell, whatever the pitch."""


def note(hz: float, s: float, *, harmonics: tuple[float, ...] = BELL, decay_s: float | None = None) -> Samples:
    """One steady pitch."""
    count = round(s * RATE_HZ)
    phase = 2 * np.pi * hz * np.arange(count) / RATE_HZ
    return voice(phase, harmonics) * envelope(count, decay_s)


def glide(from_hz: float, to_hz: float, s: float) -> Samples:
    """A pitch that slides evenly in octaves, resting for a fifth of the time at either end so that both are heard."""
    count = round(s * RATE_HZ)
    way = np.clip((np.arange(count) / count - 0.2) / 0.6, 0, 1)
    hz = from_hz * (to_hz / from_hz) ** way
    return voice(2 * np.pi * np.cumsum(hz) / RATE_HZ, BELL) * envelope(count)


def rest(s: float) -> Samples:
    """Silence."""
    return np.zeros(round(s * RATE_HZ))


def on_and_on(hz: float, flutter_hz: float, s: float) -> Samples:
    """A pitch that flutters in loudness, to be repeated without a seam: whole cycles of both, rising from silence."""
    count = round(s * RATE_HZ)
    t = np.arange(count) / RATE_HZ
    shape = 0.5 - 0.5 * np.cos(2 * np.pi * round(flutter_hz * s) / s * t)
    return voice(2 * np.pi * round(hz * s) / s * t, BELL) * shape


# Equal temperament, A4 = 440 Hz.
C6S, D6, E6, G6, G6S, A6, B6, C7 = (440.0 * 2 ** (steps / 12) for steps in (16, 17, 19, 22, 23, 24, 26, 27))

HOLD = "hold"
HOLD_SOFTER_DB = 6.0

TONES: dict[str, Callable[[], Samples]] = {
    "count": lambda: note(G6, 0.17, decay_s=0.35),
    "in_band": lambda: np.concatenate([note(D6, 0.11), rest(0.01), note(A6, 0.16, decay_s=0.3)]),
    "out_of_band": lambda: np.concatenate(
        [note(C6S, 0.10, harmonics=HOLLOW), rest(0.05), note(C6S, 0.10, harmonics=HOLLOW)]
    ),
    "high": lambda: glide(D6 * 0.9, D6 * 2, 0.24),
    "low": lambda: glide(D6 * 2, D6 * 0.9, 0.24),
    "made": lambda: np.concatenate([note(E6, 0.075), note(G6S, 0.075), note(B6, 0.18, decay_s=0.3)]),
    "confirm": lambda: np.concatenate([note(C7, 0.07), rest(0.03), note(C7, 0.07)]),
    HOLD: lambda: on_and_on(A6, 20.0, 0.25),
}


def k_weight(hz: Samples) -> Samples:
    """Power gain of the K-weighting at these frequencies."""
    z = np.exp(-2j * np.pi * hz / K_RATE_HZ)
    gain = np.ones_like(hz)
    for numerator, denominator in (SHELF, HIGH_PASS):
        response = sum(b * z**n for n, b in enumerate(numerator)) / sum(a * z**n for n, a in enumerate(denominator))
        gain = gain * np.abs(response) ** 2
    return gain


def loudness_lkfs(samples: Samples) -> float:
    """ITU-R BS.1770 loudness of one channel over a window of MOMENT_S that holds all of `samples`."""
    window = np.zeros(round(MOMENT_S * RATE_HZ))
    window[: len(samples)] = samples
    power = np.abs(np.fft.rfft(window)) ** 2 * k_weight(np.fft.rfftfreq(len(window), 1 / RATE_HZ))
    mean_square = (2 * power.sum() - power[0] - (power[-1] if len(window) % 2 == 0 else 0)) / len(window) ** 2
    return float(K_OFFSET_DB + 10 * np.log10(mean_square))


def equally_loud(tones: dict[str, Samples]) -> dict[str, Samples]:
    """Scale so that all have one loudness, the highest at which no peak passes PEAK_DBFS; the hold tone is softer."""
    peak = 10 ** (PEAK_DBFS / 20)
    full = {name: samples * peak / np.abs(samples).max() for name, samples in tones.items()}
    loudness = {name: loudness_lkfs(samples) for name, samples in full.items()}
    common = min(loudness.values())
    wanted = {name: common - (HOLD_SOFTER_DB if name == HOLD else 0.0) for name in full}
    return {name: samples * 10 ** ((wanted[name] - loudness[name]) / 20) for name, samples in full.items()}


def make() -> dict[str, NDArray[np.int16]]:
    """All tones by name, 16 bit mono at RATE_HZ."""
    scaled = equally_loud({name: build() for name, build in TONES.items()})
    return {name: np.round(samples * 32767).astype("<i2") for name, samples in scaled.items()}


def main() -> None:
    """Write the files."""
    for name, samples in make().items():
        path = Path(__file__).with_name(f"{name}.wav")
        with wave.open(str(path), "wb") as file:
            file.setnchannels(1)
            file.setsampwidth(2)
            file.setframerate(RATE_HZ)
            file.writeframes(samples.tobytes())


if __name__ == "__main__":
    main()
