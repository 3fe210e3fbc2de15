"""Tones land in the sound device, cues are spoken by a thread of their own, and trouble there stays there."""

import io
import subprocess
import sys
import threading
import time
import wave
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pytest

from rimward.live.loopback import hold_latencies_s, tone_latencies_s
from rimward.live.records import Cue, Feedback, Tone
from rimward.live.speaker import Mixer, Speaker, Speech, open_speaker

RATE_HZ = 44_100


def feedback(text: str | None = None, tone: Tone = Tone.COUNT) -> Feedback:
    return Feedback(t_s=0.0, tone=tone, cue=None if text is None else Cue(text, "some_check"))


def eventually(condition: Callable[[], bool]) -> bool:
    """Whether the condition comes true; the limit is for broken code, not a measure."""
    end = time.monotonic() + 20
    while not condition() and time.monotonic() < end:
        time.sleep(0.01)
    return condition()


class Clock:
    """Seconds that pass only when told."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


class Mouth:
    """A voice that takes as long as the test wants."""

    def __init__(self) -> None:
        self.begun: list[str] = []
        self.may_end = threading.Semaphore(0)

    def __call__(self, text: str) -> None:
        self.begun.append(text)
        self.may_end.acquire(timeout=20)


@pytest.fixture
def ending() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack


@pytest.fixture
def sound_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """SDL's disk driver writes here what a sound card would have got."""
    path = tmp_path / "sound.raw"
    monkeypatch.setenv("SDL_AUDIODRIVER", "disk")
    monkeypatch.setenv("SDL_DISKAUDIOFILE", str(path))
    return path


@pytest.fixture
def no_sound_card(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SDL_AUDIODRIVER", "no-such-driver")


def heard(path: Path) -> np.ndarray:
    """Left channel, -1..1."""
    return np.frombuffer(path.read_bytes(), "<i2")[::2] / 32768


def loud_s(path: Path) -> float:
    """Seconds with sound in them, in steps of 10 ms."""
    samples = heard(path)
    step = RATE_HZ // 100
    blocks = samples[: len(samples) // step * step].reshape(-1, step)
    return float(np.count_nonzero(np.abs(blocks).max(axis=1) > 0.01)) / 100


# ---- tones


@pytest.mark.parametrize("tone", [Tone.COUNT, Tone.HIGH])
def test_a_tone_lands_in_the_sound_device_as_it_is_in_its_file(tone: Tone, sound_file: Path) -> None:
    mixer = Mixer()
    speaker = Speaker(mixer, None)
    speaker.play(feedback(tone=tone))
    mixer.play_tone(tone)  # a second time at once: takes the place of the first
    length_s = mixer.length_s(tone)
    assert eventually(lambda: loud_s(sound_file) > length_s - 0.05 and not np.any(heard(sound_file)[-2048:]))
    speaker.close()

    from rimward.live.assets import tone_wav

    sent = np.frombuffer(tone_wav(tone)[44:], "<i2") / 32768
    got = heard(sound_file)
    match = np.correlate(got, sent, "valid") / np.dot(sent, sent)
    assert match.max() == pytest.approx(1.0, abs=0.02)
    assert loud_s(sound_file) < 2 * length_s


def test_muting_silences_tones_and_speech_until_it_is_undone(sound_file: Path, ending: ExitStack) -> None:
    mouth = Mouth()
    speech = Speech(lambda: mouth, notice=pytest.fail)
    speaker = Speaker(Mixer(), speech, mute=True)
    ending.callback(speaker.close)
    speaker.play(feedback("Start with your legs"))
    assert eventually(lambda: len(heard(sound_file)) > RATE_HZ // 4)
    assert loud_s(sound_file) == 0
    assert mouth.begun == []
    assert speaker.toggle_mute() is False
    speaker.play(feedback("Elbow under the ball"))
    assert eventually(lambda: mouth.begun == ["Elbow under the ball"] and loud_s(sound_file) > 0)
    mouth.may_end.release()
    assert speaker.toggle_mute() is True
    assert speaker.muted


def test_volume_makes_tones_softer(sound_file: Path) -> None:
    mixer = Mixer(volume=0.25)
    mixer.play_tone(Tone.COUNT)
    assert eventually(lambda: loud_s(sound_file) > 0.1)
    mixer.close()
    assert np.abs(heard(sound_file)).max() == pytest.approx(0.25 * 10 ** (-1 / 20), rel=0.05)


def test_closing_twice_and_playing_after_it_are_harmless(sound_file: Path) -> None:
    speaker = Speaker(Mixer(), Speech(lambda: Mouth(), notice=pytest.fail))
    speaker.close()
    speaker.close()
    speaker.play(feedback("Hold the follow-through"))
    assert speaker.toggle_mute() is True


def test_the_hold_tone_sounds_until_it_is_ended(sound_file: Path, ending: ExitStack) -> None:
    speaker = Speaker(Mixer(), None)
    ending.callback(speaker.close)
    for _ in range(3):  # at every frame of the hold
        speaker.hold(True)
    assert eventually(lambda: loud_s(sound_file) > 0.6)  # longer than its file: it goes round
    speaker.play(feedback())  # a tone over it does not end it
    before = loud_s(sound_file)
    assert eventually(lambda: loud_s(sound_file) > before + 0.5)
    speaker.hold(False)
    assert eventually(lambda: not np.any(heard(sound_file)[-RATE_HZ // 4 :]))


def test_the_hold_tone_obeys_mute(sound_file: Path, ending: ExitStack) -> None:
    speaker = Speaker(Mixer(), None, mute=True)
    ending.callback(speaker.close)
    speaker.hold(True)
    assert eventually(lambda: len(heard(sound_file)) > RATE_HZ // 4)
    assert loud_s(sound_file) == 0
    speaker.toggle_mute()
    speaker.hold(True)
    assert eventually(lambda: loud_s(sound_file) > 0.1)
    speaker.toggle_mute()  # in the middle of a hold
    assert eventually(lambda: not np.any(heard(sound_file)[-RATE_HZ // 4 :]))
    speaker.hold(True)
    length = len(heard(sound_file))
    assert eventually(lambda: len(heard(sound_file)) > length + RATE_HZ // 4)
    assert not np.any(heard(sound_file)[length:])


@pytest.mark.parametrize("measure", [tone_latencies_s, hold_latencies_s])
def test_how_late_a_sound_is_can_be_measured_without_a_sound_card(measure: Callable[[int], list[float]]) -> None:
    latencies = measure(2)
    assert len(latencies) == 2
    assert all(0 < s < 2 for s in latencies)  # the machine may be busy: how many milliseconds is no matter of a test


def test_a_voice_that_hangs_delays_no_tone(sound_file: Path, ending: ExitStack) -> None:
    mouth = Mouth()
    speaker = Speaker(Mixer(), Speech(lambda: mouth, notice=pytest.fail))
    ending.callback(speaker.close)
    ending.callback(lambda: mouth.may_end.release(9))
    speaker.play(feedback("Start with your legs"))
    assert eventually(lambda: mouth.begun == ["Start with your legs"])
    before = loud_s(sound_file)
    speaker.play(feedback("Elbow under the ball"))
    assert eventually(lambda: loud_s(sound_file) > before + 0.1)  # sounds while the first words still hang
    assert mouth.begun == ["Start with your legs"]


# ---- speech


def test_cues_are_spoken_one_after_another(ending: ExitStack) -> None:
    mouth = Mouth()
    speech = Speech(lambda: mouth, notice=pytest.fail)
    ending.callback(speech.close)
    speaker = Speaker(None, speech)
    for i, text in enumerate(["Reach into the basket", "Start with your legs", "Land where you jumped"]):
        speaker.play(feedback(text))
        assert eventually(lambda i=i: len(mouth.begun) == i + 1)
        mouth.may_end.release()
    assert mouth.begun == ["Reach into the basket", "Start with your legs", "Land where you jumped"]


def test_no_cue_means_no_word(ending: ExitStack) -> None:
    mouth = Mouth()
    speech = Speech(lambda: mouth, notice=pytest.fail)
    ending.callback(speech.close)
    speaker = Speaker(None, speech)
    speaker.play(feedback())
    speaker.play(feedback("Start with your legs"))
    assert eventually(lambda: mouth.begun == ["Start with your legs"])
    mouth.may_end.release()


def test_while_one_cue_is_spoken_only_the_newest_waits(ending: ExitStack) -> None:
    mouth = Mouth()
    speech = Speech(lambda: mouth, notice=pytest.fail)
    ending.callback(speech.close)
    speech.say("first")
    assert eventually(lambda: mouth.begun == ["first"])
    speech.say("second")
    speech.say("third")
    mouth.may_end.release(2)
    assert eventually(lambda: len(mouth.begun) == 2)
    assert mouth.begun == ["first", "third"]


def test_a_cue_that_waited_too_long_is_dropped(ending: ExitStack) -> None:
    mouth, clock = Mouth(), Clock()
    speech = Speech(lambda: mouth, notice=pytest.fail, stale_s=4.0, clock=clock)
    ending.callback(speech.close)
    speech.say("first")
    assert eventually(lambda: mouth.begun == ["first"])
    speech.say("stale by then")
    clock.now += 4.5
    mouth.may_end.release()
    assert eventually(lambda: speech.waiting)
    speech.say("fresh")
    assert eventually(lambda: mouth.begun == ["first", "fresh"])
    mouth.may_end.release()


def test_an_engine_that_raises_is_said_once_and_tried_again(ending: ExitStack) -> None:
    notices: list[str] = []
    tried: list[str] = []

    def voice(text: str) -> None:
        tried.append(text)
        raise OSError("device busy")

    speech = Speech(lambda: voice, notice=notices.append)
    ending.callback(speech.close)
    for i, text in enumerate(["one", "two"]):
        speech.say(text)
        assert eventually(lambda i=i: len(tried) == i + 1)
    assert eventually(lambda: notices == ["The speech engine failed (device busy). Tones and screen go on."])


ANEW = "The speech engine has hung for 10 s. Starting it anew; tones and screen go on."
GIVEN_UP = "The speech engine has hung for 10 s. No more voice; tones and screen go on."


def test_an_engine_that_hangs_is_started_anew_and_then_given_up(ending: ExitStack) -> None:
    notices: list[str] = []
    mouth, clock = Mouth(), Clock()
    speech = Speech(lambda: mouth, notice=notices.append, limit_s=10.0, clock=clock)
    ending.callback(lambda: mouth.may_end.release(9))
    for text in ("first", "second", "third"):
        speech.say(text)
        assert eventually(lambda text=text: mouth.begun[-1:] == [text])
        clock.now += 10.5
    speech.say("fourth")
    speech.say("fifth")
    assert notices == [ANEW, ANEW, GIVEN_UP]
    assert mouth.begun == ["first", "second", "third"]
    speech.close(wait_s=0.01)  # does not wait for it either


def test_an_engine_that_hung_and_comes_back_says_nothing_more(ending: ExitStack) -> None:
    """Two voices at once would speak every text twice."""
    notices: list[str] = []
    stuck, well, clock = Mouth(), Mouth(), Clock()
    voices = [stuck, well]
    speech = Speech(lambda: voices.pop(0), notice=notices.append, limit_s=10.0, clock=clock)
    ending.callback(speech.close)
    speech.say("first")
    assert eventually(lambda: stuck.begun == ["first"])
    clock.now += 10.5
    speech.look()  # the watchdog does
    stuck.may_end.release(9)
    well.may_end.release(9)
    for text in ("second", "third"):
        speech.say(text)
        assert eventually(lambda text=text: well.begun[-1:] == [text])
        assert eventually(lambda: speech.waiting)
    assert stuck.begun == ["first"]
    assert notices == [ANEW]


def test_an_engine_that_hangs_while_it_is_opened_is_started_anew_too(ending: ExitStack) -> None:
    notices: list[str] = []
    clock, opened = Clock(), threading.Event()
    ending.callback(opened.set)

    def open_voice() -> Callable[[str], None]:
        opened.wait(20)
        return Mouth()

    speech = Speech(open_voice, notice=notices.append, limit_s=10.0, clock=clock)
    clock.now += 11
    speech.say("first")
    assert notices == [ANEW]


def test_a_sound_device_that_hangs_holds_up_nobody_and_is_said_once(
    sound_file: Path, ending: ExitStack, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody who calls the speaker waits for the device: not the frames, not the saving of reps."""
    monkeypatch.setattr("rimward.live.speaker.SOUND_LIMIT_S", 0.05)
    notices: list[str] = []
    let_go, asked = threading.Event(), threading.Event()
    ending.callback(let_go.set)

    class Gone(Mixer):
        def play_tone(self, tone: Tone) -> None:
            asked.set()
            let_go.wait(20)

    mixer = Gone()
    ending.callback(mixer.close)
    speaker = Speaker(mixer, None, notice=notices.append)
    for _ in range(100):
        speaker.play(feedback())
        speaker.hold(True)
        speaker.hold(False)
    assert asked.wait(20)
    assert eventually(lambda: speaker.look() is None and len(notices) == 1)
    speaker.look()
    assert notices == ["The sound device has hung for 0 s. No more tones; screen and records go on."]
    speaker.close()


def test_a_sound_device_that_went_away_is_said_once(sound_file: Path, ending: ExitStack) -> None:
    import pygame

    notices: list[str] = []

    class Gone(Mixer):
        def play_tone(self, tone: Tone) -> None:
            raise pygame.error("device lost")

    speaker = Speaker(Gone(), None, notice=notices.append)
    ending.callback(speaker.close)
    speaker.play(feedback())
    speaker.play(feedback())
    assert eventually(lambda: notices == ["The sound device failed (device lost). Screen and records go on."])


def test_an_engine_that_cannot_be_opened_is_said_once() -> None:
    notices: list[str] = []

    def open_voice() -> Callable[[str], None]:
        raise RuntimeError("No voice: nothing installed")

    speech = Speech(open_voice, notice=notices.append)
    assert eventually(lambda: notices == ["No voice: nothing installed"])
    speech.say("nobody hears this")
    speech.close()
    assert len(notices) == 1


def test_speech_begins_after_the_tone(sound_file: Path, ending: ExitStack) -> None:
    begun_at: list[float] = []
    speech = Speech(lambda: lambda text: begun_at.append(time.monotonic()), notice=pytest.fail)
    mixer = Mixer()
    speaker = Speaker(mixer, speech)
    ending.callback(speaker.close)
    before = time.monotonic()
    speaker.play(feedback("Hold the follow-through", Tone.OUT_OF_BAND))
    assert eventually(lambda: bool(begun_at))
    assert begun_at[0] - before >= 0.25  # the tone's length: a lower bound, however slow the machine is


# ---- the machine's own devices


@pytest.mark.skipif(sys.platform in ("darwin", "win32"), reason="there the engines speak past the mixer")
def test_without_a_sound_device_one_line_says_so_and_everything_else_is_silent(
    no_sound_card: None, capfd: pytest.CaptureFixture[str]
) -> None:
    notices: list[str] = []
    speaker = open_speaker(notice=notices.append)
    speaker.play(feedback("Hold the follow-through"))
    speaker.close()
    assert len(notices) == 1
    assert notices[0].startswith("No sound: no sound device can be opened")
    assert "\n" not in notices[0]
    assert capfd.readouterr() == ("", "")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="hides the library that Linux would load")
def test_without_espeak_one_line_says_what_to_install(sound_file: Path) -> None:
    """In a process of its own, where loading the library fails as it does when it is not installed."""
    script = (
        "import ctypes, sys, time\n"
        "whole = ctypes.CDLL.__init__\n"
        "def fail(self, name=None, *args, **more):\n"
        "    if name and 'espeak' in name: raise OSError(name + ': cannot open shared object file')\n"
        "    whole(self, name, *args, **more)\n"
        "ctypes.CDLL.__init__ = fail\n"
        "from rimward.live.speaker import open_speaker\n"
        "from rimward.live.records import Cue, Feedback, Tone\n"
        "said = []\n"
        "speaker = open_speaker(notice=said.append)\n"
        "end = time.monotonic() + 20\n"
        "while not said and time.monotonic() < end: time.sleep(0.01)\n"
        "speaker.play(Feedback(0.0, Tone.COUNT, Cue('Start with your legs', 'x')))\n"
        "time.sleep(0.4)\n"
        "speaker.close()\n"
        "print('|'.join(said))\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.count("\n") == 1
    assert done.stdout.startswith("No voice:")
    assert "apt install espeak-ng" in done.stdout
    assert loud_s(sound_file) > 0.1  # the tone came through


def espeak_is_missing() -> bool:
    import ctypes

    try:
        ctypes.CDLL("libespeak-ng.so.1")
    except OSError:
        return True
    return False


@pytest.mark.skipif(espeak_is_missing(), reason="libespeak-ng is not installed (apt install espeak-ng)")
@pytest.mark.parametrize("voice", ["en-us", ""])
def test_the_real_engine_speaks_cue_after_cue_through_the_sound_device(
    voice: str, sound_file: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    notices: list[str] = []
    speaker = open_speaker(notice=notices.append, voice=voice)
    spoken_s: list[float] = []
    for text in ("Hold the follow-through", "Elbow under the ball", "Start with your legs"):
        before_s = loud_s(sound_file)
        speaker.play(feedback(text))
        # words last longer than the tone (0.17 s), and end in silence
        assert eventually(lambda before_s=before_s: loud_s(sound_file) - before_s > 0.7), notices
        assert eventually(lambda: not np.any(np.abs(heard(sound_file)[-RATE_HZ // 2 :]) > 0.01))
        spoken_s.append(loud_s(sound_file) - before_s)
    speaker.close()
    assert notices == []
    assert all(0.7 < s < 3 for s in spoken_s)
    assert capfd.readouterr().out == ""  # only JSON may go there


@pytest.mark.skipif(espeak_is_missing(), reason="libespeak-ng is not installed (apt install espeak-ng)")
@pytest.mark.parametrize("voice", ["de", ""])
def test_words_that_take_the_engine_long_are_waited_for_and_nothing_is_written_in_the_terminal(
    voice: str,
    sound_file: Path,
    ending: ExitStack,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """On a busy machine six words take it as long as a speech does here; pyttsx3 waits 10 ms for either."""
    given: list[bytes] = []
    monkeypatch.setattr(Mixer, "play_speech", lambda self, wav: given.append(wav))
    speaker = open_speaker(notice=pytest.fail, voice=voice)
    ending.callback(speaker.close)
    for count in (1, 2):
        speaker.play(Feedback(0.0, Tone.COUNT, prompt="Start with your legs. " * 80))
        assert eventually(lambda count=count: len(given) == count)
    lengths_s = []
    for wav in given:
        with wave.open(io.BytesIO(wav)) as read:
            lengths_s.append(read.getnframes() / read.getframerate())
    assert all(80 * 0.7 < s < 80 * 3 for s in lengths_s)
    assert lengths_s[0] == pytest.approx(lengths_s[1], rel=0.02)
    assert capfd.readouterr() == ("", "")


@pytest.mark.skipif(espeak_is_missing(), reason="libespeak-ng is not installed (apt install espeak-ng)")
def test_an_unknown_voice_is_named_and_another_one_speaks(sound_file: Path) -> None:
    notices: list[str] = []
    speaker = open_speaker(notice=notices.append, voice="nosuchvoice")
    speaker.play(feedback("Start with your legs"))
    assert eventually(lambda: loud_s(sound_file) > 0.7)
    speaker.close()
    assert len(notices) == 1
    assert '"nosuchvoice"' in notices[0]


def test_speech_can_be_left_out(sound_file: Path) -> None:
    speaker = open_speaker(notice=pytest.fail, speak=False)
    speaker.play(feedback("Start with your legs"))
    assert eventually(lambda: len(heard(sound_file)) > RATE_HZ and loud_s(sound_file) > 0.1)
    speaker.close()
    assert loud_s(sound_file) < 0.3  # the tone alone


def test_what_was_not_begun_when_the_next_shot_is_under_way_is_not_said(ending: ExitStack) -> None:
    """Nothing between gather and landing: the words that wait are forgotten, the next rep's are said."""
    mouth = Mouth()
    speech = Speech(lambda: mouth, notice=pytest.fail)
    ending.callback(speech.close)
    speaker = Speaker(None, speech)
    speaker.play(feedback("Set it higher"))
    assert eventually(lambda: mouth.begun == ["Set it higher"])
    speaker.play(feedback("Hold it"))
    speaker.hush()
    speaker.hush()
    mouth.may_end.release()
    assert eventually(lambda: speech.waiting)
    speaker.play(feedback("Bend more"))
    assert eventually(lambda: mouth.begun == ["Set it higher", "Bend more"])
    mouth.may_end.release()


def test_praise_and_the_drill_are_spoken_too(ending: ExitStack) -> None:
    mouth = Mouth()
    speech = Speech(lambda: mouth, notice=pytest.fail)
    ending.callback(speech.close)
    Speaker(None, speech).play(Feedback(0.0, Tone.COUNT, praise="Good legs", prompt="Rest 30 seconds"))
    assert eventually(lambda: mouth.begun == ["Good legs. Rest 30 seconds"])
    mouth.may_end.release()
