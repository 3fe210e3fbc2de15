"""Tones at once, speech after them, and neither ever holds up the caller.

Tones go through pygame's mixer. Speech is made by pyttsx3 in a thread of its own, because its engines block, hang and
raise as they like; what they do there reaches nobody else. Where the engine hands over samples (espeak-ng on Linux)
they go through the same mixer as the tones: one sound device, one volume, and no need for a player program.
"""

from __future__ import annotations

import ctypes
import io
import os
import sys
import threading
import time
import warnings
import wave
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

from .assets import tone_wav
from .records import Feedback, Tone

if TYPE_CHECKING:
    import pygame

# pygame greets on standard output when it is imported, where only JSON may go, and warns of its own dependency
os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
warnings.filterwarnings("ignore", category=UserWarning, module=r"pygame\.pkgdata")

Notice = Callable[[str], None]
Voice = Callable[[str], None]
"""Speaks a text and returns when it has been heard."""

STALE_S = 4.0
"""A cue that could not be spoken by then belongs to a shot that the player no longer feels."""
UTTERANCE_LIMIT_S = 10.0
"""Six words take two seconds; an engine that needs this long hangs."""
RESTARTS = 2
"""How often in a session an engine that hangs is started anew: each time leaves a thread behind that may never end."""
SOUND_LIMIT_S = 10.0
"""To start a tone takes a millisecond; a sound device that needs this long is gone."""
GAP_S = 0.08
"""Between tone and speech, so that the first word is not taken for the end of the tone."""
RATE_HZ = 44_100
ESPEAK_HZ = 22_050
"""What espeak_Initialize returns on every system."""
BUFFER = 512
"""Samples that the mixer works ahead: 12 ms from `play` to the sound device."""
TONE_CHANNEL, SPEECH_CHANNEL, HOLD_CHANNEL = 0, 1, 2
FADE_MS = 30
"""The hold tone ends softly, so that its end is no click."""

NO_ENGINE = "No voice: pyttsx3 finds no speech engine (Debian, Ubuntu: apt install espeak-ng). Tones and screen go on."


class Mixer:
    """The sound device: all tones loaded, one channel each for tones, speech and the hold tone.

    Raises pygame.error when there is no sound device.
    """

    def __init__(self, volume: float = 1.0) -> None:
        import pygame

        with _quiet_stderr():
            pygame.mixer.init(frequency=RATE_HZ, size=-16, channels=2, buffer=BUFFER)
        pygame.mixer.set_reserved(3)
        self._volume = volume
        self._open = True
        self._lock = threading.Lock()
        self._tones = {tone: pygame.mixer.Sound(file=io.BytesIO(tone_wav(tone))) for tone in Tone}
        for sound in self._tones.values():
            sound.set_volume(volume)
        self._lengths_s = {tone: sound.get_length() for tone, sound in self._tones.items()}
        self._channels = [pygame.mixer.Channel(i) for i in (TONE_CHANNEL, SPEECH_CHANNEL, HOLD_CHANNEL)]

    def length_s(self, tone: Tone) -> float:
        """How long a tone sounds."""
        return self._lengths_s[tone]

    def play_tone(self, tone: Tone) -> None:
        """Start the tone now, in place of one that still sounds."""
        with self._lock:
            if self._open:
                self._channels[TONE_CHANNEL].play(self._tones[tone])

    def hold(self, on: bool) -> None:
        """Let the hold tone sound from now on, or end it."""
        with self._lock:
            if not self._open:
                return
            if on:
                self._channels[HOLD_CHANNEL].play(self._tones[Tone.HOLD], loops=-1)
            else:
                self._channels[HOLD_CHANNEL].fadeout(FADE_MS)

    def play_speech(self, wav: bytes) -> None:
        """Play what a WAV file holds and return when it has ended or `silence` or `close` cut it short."""
        import pygame

        with self._lock:
            if not self._open:
                return
            sound = pygame.mixer.Sound(file=io.BytesIO(wav))
            sound.set_volume(self._volume)
            self._channels[SPEECH_CHANNEL].play(sound)
        while self._is_speaking(sound):
            time.sleep(0.02)

    def _is_speaking(self, sound: pygame.mixer.Sound) -> bool:
        with self._lock:
            return self._open and self._channels[SPEECH_CHANNEL].get_sound() is sound

    def silence(self) -> None:
        """Cut short what sounds."""
        with self._lock:
            if self._open:
                for channel in self._channels:
                    channel.stop()

    def close(self) -> None:
        """Let go of the sound device; may be called twice."""
        import pygame

        with self._lock:
            if self._open:
                self._open = False
                pygame.mixer.quit()


@contextmanager
def _quiet_stderr() -> Iterator[None]:
    """Without a sound card ALSA writes a dozen lines to file descriptor 2, past Python; our one line says it all."""
    try:
        kept = os.dup(2)
    except OSError:  # no standard error at all, as under pythonw
        yield
        return
    try:
        with Path(os.devnull).open("wb") as nowhere:
            os.dup2(nowhere.fileno(), 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)


class Speech:
    """A thread that speaks the newest text and forgets the ones it had no time for.

    `open_voice` is called in the thread, since the engines must be used where they were made. `notice` may be called
    from the thread too, once for each kind of trouble.
    """

    def __init__(
        self,
        open_voice: Callable[[], Voice],
        *,
        notice: Notice,
        stale_s: float = STALE_S,
        limit_s: float = UTTERANCE_LIMIT_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._open_voice = open_voice
        self._notice = notice
        self._stale_s = stale_s
        self._limit_s = limit_s
        self._clock = clock
        self._changed = threading.Condition()
        self._next: tuple[str, float, float] | None = None  # text, asked at, not before
        self._busy_since: float | None = None
        self._ended = False
        self._said_trouble = False
        self._restarts = 0
        """Also tells the thread of today from one that hung and came back."""
        self._start()

    def _start(self) -> None:
        self._busy_since = self._clock()  # opening the voice may hang as well
        self._thread = threading.Thread(target=self._run, args=(self._restarts,), name="speech", daemon=True)
        self._thread.start()

    def say(self, text: str, *, after_s: float = 0.0) -> None:
        """Speak `text` when `after_s` seconds have passed, in place of a text that still waits. Returns at once."""
        self.look()
        now = self._clock()
        with self._changed:
            if not self._ended:
                self._next = (text, now, now + after_s)
                self._changed.notify()

    def look(self) -> None:
        """Start an engine that hangs anew, and give it up when that happens again and again. Returns at once."""
        with self._changed:
            busy_since = self._busy_since
            if self._ended or busy_since is None or self._clock() - busy_since <= self._limit_s:
                return
            if self._restarts < RESTARTS:
                self._restarts += 1
                self._start()
                words = "Starting it anew"
            else:
                self._ended = True
                words = "No more voice"
        self._notice(f"The speech engine has hung for {self._limit_s:.0f} s. {words}; tones and screen go on.")

    @property
    def waiting(self) -> bool:
        """Whether it would speak a text at once."""
        with self._changed:
            return not self._ended and self._busy_since is None and self._next is None

    def forget(self) -> None:
        """Drop the text that waits."""
        with self._changed:
            self._next = None

    def close(self, wait_s: float = 0.5) -> None:
        """End the thread; one that hangs is left behind after `wait_s`. May be called twice."""
        with self._changed:
            self._ended = True
            self._changed.notify()
        self._thread.join(wait_s)

    def _run(self, start: int) -> None:
        try:
            voice = self._open_voice()
        except Exception as error:  # the engines raise anything
            with self._changed:
                if start != self._restarts:
                    return
                self._ended = True
            self._notice(str(error) or NO_ENGINE)
            return
        while (text := self._wait_for_text(start)) is not None:
            try:
                voice(text)
            except Exception as error:  # the engines raise anything
                if not self._said_trouble and not self._ended and start == self._restarts:
                    self._said_trouble = True
                    self._notice(f"The speech engine failed ({error}). Tones and screen go on.")

    def _wait_for_text(self, start: int) -> str | None:
        """The next text that is due and fresh; None when the thread should end."""
        with self._changed:
            if start == self._restarts:
                self._busy_since = None
            while not self._ended and start == self._restarts:
                if self._next is None:
                    self._changed.wait()
                    continue
                text, asked_s, not_before_s = self._next
                now = self._clock()
                if now - asked_s > self._stale_s:
                    self._next = None
                elif now < not_before_s:
                    self._changed.wait(not_before_s - now)
                else:
                    self._next = None
                    self._busy_since = now
                    return text
            return None


class _Orders:
    """A thread that hands the mixer its orders one by one: a sound device that hangs holds up this thread alone."""

    def __init__(self, notice: Notice, clock: Callable[[], float] = time.monotonic) -> None:
        self._notice, self._clock = notice, clock
        self._waiting: SimpleQueue[Callable[[], object] | None] = SimpleQueue()
        self._busy_since: float | None = None
        self._given_up = False
        self._failed = False
        self._thread = threading.Thread(target=self._run, name="sound", daemon=True)
        self._thread.start()

    def give(self, order: Callable[[], object]) -> None:
        """Return at once; the order is carried out after those before it, or never when the device hangs."""
        if not self._given_up:
            self._waiting.put(order)

    def look(self) -> None:
        """Give up a sound device that hangs."""
        since = self._busy_since
        if not self._given_up and since is not None and self._clock() - since > SOUND_LIMIT_S:
            self._given_up = True
            self._notice(
                f"The sound device has hung for {SOUND_LIMIT_S:.0f} s. No more tones; screen and records go on."
            )

    def close(self, wait_s: float = 0.5) -> None:
        """End the thread after the orders given; one that hangs is left behind after `wait_s`. May be called twice."""
        self._waiting.put(None)
        self._thread.join(wait_s)

    def _run(self) -> None:
        while (order := self._waiting.get()) is not None:
            self._busy_since = self._clock()
            try:
                order()
            except Exception as error:  # pygame.error of a device that went away
                if not self._failed:
                    self._failed = True
                    self._notice(f"The sound device failed ({error}). Screen and records go on.")
            self._busy_since = None


class Speaker:
    """ports.FeedbackSink: a tone for every rep, and its cue after the tone. Either part may be missing."""

    def __init__(
        self,
        mixer: Mixer | None,
        speech: Speech | None,
        *,
        mute: bool = False,
        notice: Notice = lambda line: None,
    ) -> None:
        self._mixer = mixer
        self._orders = None if mixer is None else _Orders(notice)
        self._speech = speech
        self._mute = mute
        self._holding = False

    @property
    def muted(self) -> bool:
        """Whether tones and speech are off for now."""
        return self._mute

    def toggle_mute(self) -> bool:
        """Switch tones and speech off or on; True when they are off now. What sounds is cut short."""
        self._mute = not self._mute
        if self._mute:
            if self._speech is not None:
                self._speech.forget()
            self._order(Mixer.silence)
            self._holding = False
        return self._mute

    def hold(self, on: bool) -> None:
        """Let the hold tone sound from now on, or end it. May be called at every frame; never blocks."""
        on = on and not self._mute
        if on != self._holding and self._mixer is not None:
            self._order(lambda mixer: mixer.hold(on))
            self._holding = on

    def hush(self) -> None:
        """A shot is under way: what was not begun to be said is not said any more. May be called at every frame."""
        if self._speech is not None:
            self._speech.forget()

    def play(self, feedback: Feedback) -> None:
        """Sound the tone at once and speak the cue after it, unless it is stale by then. Never blocks."""
        if self._mute:
            return
        tone_s = 0.0 if self._mixer is None else self._mixer.length_s(feedback.tone)
        self._order(lambda mixer: mixer.play_tone(feedback.tone))
        if self._speech is not None and feedback.spoken is not None:
            self._speech.say(feedback.spoken, after_s=tone_s + GAP_S if tone_s else 0.0)

    def look(self) -> None:
        """Now and then: start a voice that hangs anew, give up a sound device that does. Returns at once."""
        if self._speech is not None:
            self._speech.look()
        if self._orders is not None:
            self._orders.look()

    def close(self) -> None:
        """Cut short what sounds and let go of the device; may be called twice."""
        self._order(Mixer.silence)
        if self._speech is not None:
            self._speech.close()
        self._order(Mixer.close)
        if self._orders is not None:
            self._orders.close()

    def _order(self, what: Callable[[Mixer], object]) -> None:
        mixer = self._mixer
        if mixer is not None and self._orders is not None:
            self._orders.give(lambda: what(mixer))


def open_speaker(
    *,
    notice: Notice,
    mute: bool = False,
    speak: bool = True,
    volume: float = 1.0,
    rate_wpm: int = 180,
    voice: str | None = None,
) -> Speaker:
    """Open what this machine has; what it has not is said in one line through `notice` and the rest works.

    `volume` is 0..1, `rate_wpm` words a minute, `voice` a name, id or language of the engine's voices (None or
    empty: its own choice). `notice` may be called later and from another thread, for instance when the engine hangs.
    """
    import pygame

    through_mixer = sys.platform not in ("darwin", "win32")
    mixer = None
    try:
        mixer = Mixer(volume)
    except pygame.error as error:
        rest = "Screen and records work without it." if through_mixer else "Voice and screen work without them."
        notice(f"No {'sound' if through_mixer else 'tones'}: no sound device can be opened ({error}). {rest}")
    speech = None
    if speak and (mixer is not None or not through_mixer):
        speech = Speech(
            lambda: _open_voice(mixer if through_mixer else None, volume, rate_wpm, voice, notice), notice=notice
        )
    return Speaker(mixer, speech, mute=mute, notice=notice)


def _open_voice(mixer: Mixer | None, volume: float, rate_wpm: int, wanted: str | None, notice: Notice) -> Voice:
    """A voice of pyttsx3: heard through `mixer`, or through the engine's own way when that is None."""
    try:
        from pyttsx3.engine import Engine

        voices = Engine().getProperty("voices")
    except Exception as error:  # RuntimeError without the library, ImportError without the system's bindings
        raise RuntimeError(NO_ENGINE) from error
    chosen = _choose_voice(voices, wanted) if wanted else None
    if wanted and chosen is None:
        notice(f'The speech engine has no voice "{wanted}": its own choice speaks. {_examples(voices)}')
    if mixer is not None:
        return _espeak_voice(mixer.play_speech, rate_wpm, chosen)

    def speak_through_engine(text: str) -> None:
        # A fresh engine each time: in pyttsx3 2.99 one that has run once stays silent on some systems.
        engine = Engine()
        troubles: list[Exception] = []
        engine.connect("error", lambda name, exception: troubles.append(exception))
        if chosen is not None:
            engine.setProperty("voice", chosen)
        engine.setProperty("rate", rate_wpm)
        engine.setProperty("volume", volume)
        engine.say(text)
        engine.runAndWait()
        if troubles:
            raise troubles[0]

    return speak_through_engine


def _espeak_voice(play: Callable[[bytes], None], rate_wpm: int, chosen: str | None) -> Voice:
    """espeak-ng through pyttsx3's bindings alone; an Engine must have been made, which starts the library.

    pyttsx3's own driver (2.99) waits 10 ms for an utterance, done or not: on a busy machine the file was not there yet,
    and espeak-ng's thread came back to an engine that was gone.
    """
    from pyttsx3.drivers import _espeak as espeak

    if chosen is not None:
        espeak.SetVoiceByName(chosen.encode())
    espeak.SetParameter(espeak.RATE, rate_wpm, 0)

    def speak(text: str) -> None:
        samples = bytearray()

        def keep(wav: Any, count: int, _events: Any) -> int:
            if count > 0:
                samples.extend(ctypes.string_at(wav, 2 * count))
            return 0

        espeak.SetSynthCallback(keep)
        espeak.Synth(text, flags=espeak.CHARS_UTF8 | espeak.ENDPAUSE)
        espeak.Synchronize()  # until its thread has handed over everything
        if not samples:
            raise RuntimeError("espeak-ng gave no sound")
        play(_wav(samples))

    return speak


def _wav(samples: bytearray) -> bytes:
    file = io.BytesIO()
    with wave.open(file, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(ESPEAK_HZ)
        out.writeframes(samples)
    return file.getvalue()


def _choose_voice(voices: list[Any], wanted: str) -> str | None:
    """Id of the voice that has `wanted` as id, end of the id or language, else as a part of its name."""
    wanted = wanted.casefold()
    for voice in voices:
        names = [str(name).casefold() for name in (voice.id, *(voice.languages or ()))]
        if wanted in names or names[0].replace("\\", "/").endswith("/" + wanted):
            return str(voice.id)
    return next((str(voice.id) for voice in voices if wanted in str(voice.name).casefold()), None)


def _examples(voices: list[Any]) -> str:
    """A few voices to choose from, for a message."""
    return f"It has {len(voices)}, among them " + ", ".join(f'"{voice.name}"' for voice in voices[:5]) + "."
