"""Pictures and clips that go out: what is on them, which frame it is, and that they are whole or not there."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from filmed_reps import RATE_HZ, VIEW, number_in, numbered_film, rep_of
from test_film import all_frames

from rimward.live.annotate import annotated, key_pictures, save_clip, save_picture, text_width, write
from rimward.live.errors import UsageError
from rimward.live.figure import Figure, figure
from rimward.live.film import Film
from rimward.live.screen import STYLE
from rimward.live.timeline import nearest

WHITE, BLACK = (255, 255, 255), (0, 0, 0)


@pytest.fixture(scope="module")
def filmed(tmp_path_factory):
    """A rep and its film, whose frames carry their number."""
    taken = rep_of()
    path = numbered_film(tmp_path_factory.mktemp("film") / "film.mp4", int(taken.trace.frames[-1]) + 1)
    return taken, Film(path)


def picture_of(film):
    return lambda taken, k: film.frame(int(taken.trace.frames[k]), float(taken.t_s[k]))


def share_of(picture, colour):
    return float((np.abs(picture.astype(int) - np.array(colour[::-1])).max(axis=2) < 12).mean())


def test_key_pictures_are_the_frames_of_their_instants(filmed):
    taken, film = filmed
    made = key_pictures(taken, picture_of(film))
    assert set(made) == {"set", "release", "follow_through"}
    events = taken.rep.events
    for name, instant_s in (("set", events.set_s), ("release", events.release_s)):
        assert made[name].shape == (VIEW.size[1], VIEW.size[0], 3)
        assert number_in(made[name]) == round(instant_s * RATE_HZ)
        assert share_of(made[name], STYLE.accent) > 0.003


def test_without_a_picture_the_skeleton_stands_on_plain_ground(filmed):
    taken, _ = filmed
    made = key_pictures(taken, lambda taken, k: None)["release"]
    assert share_of(made, STYLE.panel) > 0.8
    assert share_of(made, STYLE.accent) > 0.003
    assert share_of(made, (90, 90, 90)) < 0.01  # the ground of the film


def test_an_annotated_clip_shows_every_frame_of_the_rep_in_order(filmed, tmp_path):
    taken, film = filmed
    path = tmp_path / "aus gabe №1.mp4"
    count = save_clip(path, [taken, taken], picture_of(film))
    frames = all_frames(path)
    assert len(frames) == count == 2 * len(taken.t_s)
    assert [number_in(frame.image) for frame in frames] == 2 * list(taken.trace.frames)
    assert frames[1].t_s == pytest.approx(1 / RATE_HZ, abs=1e-3)
    assert share_of(frames[nearest(taken.t_s, taken.rep.events.release_s)].image, STYLE.accent) > 0.001


def test_a_clip_larger_than_is_needed_is_shrunk(filmed, tmp_path):
    taken, film = filmed
    save_clip(tmp_path / "small.mp4", [taken], picture_of(film), most_height=180)
    assert all_frames(tmp_path / "small.mp4")[0].size == (320, 180)


def test_nothing_to_show_is_said(tmp_path):
    with pytest.raises(UsageError, match="must show a rep"):
        save_clip(tmp_path / "none.mp4", [], lambda taken, k: None)
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written(filmed, tmp_path):
    taken, _ = filmed
    (tmp_path / "file").write_text("in the way")
    for write_it in (
        lambda path: save_clip(path.with_suffix(".mp4"), [taken], lambda taken, k: None),
        lambda path: save_picture(path.with_suffix(".png"), np.zeros((4, 4, 3), np.uint8)),
    ):
        with pytest.raises(UsageError, match="must be writable, it is not") as caught:
            write_it(tmp_path / "file" / "out")
        assert "\n" not in str(caught.value)


def test_a_picture_that_breaks_off_leaves_nothing(filmed, tmp_path):
    taken, _ = filmed

    def breaks(taken, k):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        save_clip(tmp_path / "half.mp4", [taken], breaks)
    assert list(tmp_path.iterdir()) == []


def test_words_are_readable_on_any_ground():
    for ground in (0, 255):
        canvas = np.full((60, 400, 3), ground, np.uint8)
        write(canvas, "76° ± 5 cm", 10, 10, 30, WHITE, BLACK)
        assert share_of(canvas, WHITE) > 0.01
        assert share_of(canvas, BLACK) > 0.01
    assert 120 < text_width("76° ± 5 cm", 30) < 240


def test_words_beside_the_picture_are_cut_off():
    canvas = np.zeros((40, 40, 3), np.uint8)
    for x, y in ((-500, 0), (500, 0), (0, -500), (-20, -20), (30, 30)):
        write(canvas, "word", x, y, 20, WHITE, BLACK)
    write(canvas, "", 0, 0, 20, WHITE, BLACK)


def test_degrees_are_drawn_beside_the_joint(filmed):
    taken, _ = filmed
    k, size = nearest(taken.t_s, taken.rep.events.set_s), VIEW.size
    drawn = figure(taken, k)
    bare = annotated(None, Figure(drawn.pose, drawn.ball), size, size)
    full = annotated(None, Figure(drawn.pose, drawn.ball, drawn.corners), size, size)
    changed = cv2.boundingRect(np.any(bare != full, axis=2).astype(np.uint8))
    joints = np.array([corner.at for corner in drawn.corners])
    low, high = joints.min(axis=0) - 60, joints.max(axis=0) + 60
    assert (np.array(changed[:2]) >= low).all()
    assert (np.array(changed[:2]) + changed[2:] <= high).all()


def test_a_picture_in_a_folder_that_is_not_there_yet(tmp_path):
    save_picture(tmp_path / "a" / "b.jpg", np.zeros((8, 8, 3), np.uint8))
    assert cv2.imread(str(tmp_path / "a" / "b.jpg")).shape == (8, 8, 3)
