"""The body's names: the order of the BlazePose topology, sides that are each other's mirror image, and bones."""

from __future__ import annotations

from rimward.live.skeleton import BONES, COUNT, INDEX, MIRRORED, NAMES, other


def test_the_order_is_that_of_the_pose_network():
    # Bazarevsky et al. 2020, "BlazePose": 33 landmarks, nose first, feet last; single numbers from memory
    assert COUNT == len(set(NAMES)) == 33
    assert [INDEX[name] for name in ("nose", "left_shoulder", "right_shoulder", "left_wrist")] == [0, 11, 12, 15]
    assert [INDEX[name] for name in ("left_hip", "right_hip", "left_knee", "right_foot_index")] == [23, 24, 25, 32]


def test_a_mirror_swaps_every_pair_and_keeps_the_nose():
    assert all(MIRRORED[MIRRORED[i]] == i for i in range(COUNT))
    assert [NAMES[i] for i in range(COUNT) if MIRRORED[i] == i] == ["nose"]
    assert NAMES[MIRRORED[INDEX["mouth_left"]]] == "mouth_right"
    assert NAMES[MIRRORED[INDEX["left_eye_inner"]]] == "right_eye_inner"


def test_bones_look_the_same_in_a_mirror_and_reach_hands_and_feet():
    as_sets = {frozenset(bone) for bone in BONES}
    assert {frozenset(MIRRORED[i] for i in bone) for bone in as_sets} == as_sets
    ends = {NAMES[i] for bone in BONES for i in bone}
    assert {"left_index", "right_index", "left_foot_index", "right_foot_index"} <= ends


def test_the_other_side():
    assert other("left") == "right"
    assert other("right") == "left"
