"""Where the joints are, against where the pose network draws its landmarks: learned from rendered shots.

The network's landmarks are not joint centres, and by how much they miss them depends on the pose and on the side from
which it is seen: a raised arm's shoulder is drawn where it would hang, a hidden wrist where wrists usually are. And
how deep a joint lies is not in one picture at all, but the rest of the body tells much of it. Both were learned, with
their errors, from shots of widely varying form that tests/studio renders, as the pose network itself saw them
(tests/studio/learn_joints.py). The lifting takes them as observations with those errors, beside all else that it knows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..calibration.geometry import camera_centre
from ..calibration.record import Calibration
from .records import FloatArray, require_shape
from .skeleton import INDEX, Side, other

if TYPE_CHECKING:
    from .lifting import Seen

JOINTS = tuple(
    (side, joint)
    for joint in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel", "foot_index")
    for side in ("mine", "guide")
)
"""What is predicted; `mine` is the shooting side."""
_USED = (
    ("", "nose"),
    *(
        (side, landmark)
        for landmark in (
            *("eye", "ear", "shoulder", "elbow", "wrist", "pinky", "index", "thumb"),
            *("hip", "knee", "ankle", "heel", "foot_index"),
        )
        for side in ("mine", "guide")
    ),
)
_FRAME_S = 1 / 30
_AROUND_S = (-0.4, -0.2, -0.1, 0.1, 0.2, 0.4)
"""When else the body is looked at: how a limb moves tells where it is."""


@dataclass(frozen=True, slots=True, eq=False)
class Together:
    """How errors of depths hang together: who is thought to be turned too far is so with both shoulders and elbows.

    Combinations of the joints' errors, each in its stated sigmas, that know nothing of one another.
    """

    ways: FloatArray
    """(16, 16), a combination in each column."""
    spread: FloatArray
    """(16,), what is wrong with a combination throughout a shot, one standard deviation."""
    give: FloatArray
    """(16,), what changes in its course."""

    def __post_init__(self) -> None:
        n = len(JOINTS)
        require_shape("ways", self.ways, (n, n))
        require_shape("spread", self.spread, (n,))
        require_shape("give", self.give, (n,))


@dataclass(frozen=True, slots=True, eq=False)
class Learned:
    """What is known of the joints beside their landmarks, in the order of JOINTS; statures."""

    shift: FloatArray
    """(T, 16, 2): from the landmark to the joint in the picture."""
    shift_sigma: FloatArray
    """(T, 16, 2)"""
    depth: FloatArray
    """(T, 16): along the camera's axis from the middle of the hips."""
    depth_sigma: FloatArray
    """(T, 16)"""
    together: Together

    def __post_init__(self) -> None:
        n = len(self.shift)
        require_shape("shift", self.shift, (n, len(JOINTS), 2))
        require_shape("shift_sigma", self.shift_sigma, (n, len(JOINTS), 2))
        require_shape("depth", self.depth, (n, len(JOINTS)))
        require_shape("depth_sigma", self.depth_sigma, (n, len(JOINTS)))

    def part(self, use: NDArray[np.bool_]) -> Learned:
        """The samples for which `use` (T,) is True."""
        return Learned(self.shift[use], self.shift_sigma[use], self.depth[use], self.depth_sigma[use], self.together)


@dataclass(frozen=True, slots=True, eq=False)
class JointNetwork:
    """What was learned (assets.joint_network): M members with two layers of H units, F features, O = 48 outputs."""

    mean: FloatArray
    """(F,)"""
    spread: FloatArray
    """(F,)"""
    out_mean: FloatArray
    """(O,): shifts of the joints in the picture, then their depths."""
    out_spread: FloatArray
    """(O,)"""
    honest: FloatArray
    """(O,): how many times larger the errors were than said, on shots that were left out."""
    w1: FloatArray
    """(M, H, F)"""
    b1: FloatArray
    w2: FloatArray
    """(M, H, H)"""
    b2: FloatArray
    w_mean: FloatArray
    """(M, O, H)"""
    b_mean: FloatArray
    w_sigma: FloatArray
    """(M, O, H): logarithms of the errors."""
    b_sigma: FloatArray
    together: Together

    def __post_init__(self) -> None:
        outputs = 3 * len(JOINTS)
        members, hidden, inputs = self.w1.shape
        shapes = {
            **dict.fromkeys(("mean", "spread"), (inputs,)),
            **dict.fromkeys(("out_mean", "out_spread", "honest"), (outputs,)),
            **dict.fromkeys(("b1", "b2"), (members, hidden)),
            "w2": (members, hidden, hidden),
            **dict.fromkeys(("w_mean", "w_sigma"), (members, outputs, hidden)),
            **dict.fromkeys(("b_mean", "b_sigma"), (members, outputs)),
        }
        for name, shape in shapes.items():
            require_shape(name, getattr(self, name), shape)


def landmark(side: str, joint: str, hand: Side) -> str:
    """The name of a joint of the shooting or guide side of who shoots with this hand."""
    return f"{hand if side == 'mine' else other(hand)}_{joint}" if side else joint


def toward_hoop(window: Seen, calibration: Calibration, stature_m: float) -> FloatArray:
    """(3,), horizontal unit vector from the feet to the ring's axis."""
    k = calibration.camera_matrix
    feet = np.nanmedian(window.points_px[:, [INDEX["left_ankle"], INDEX["right_ankle"]]].mean(1), axis=0)
    ray = np.array([(feet[0] - k[0, 2]) / k[0, 0], (feet[1] - k[1, 2]) / k[1, 1], 1.0]) @ calibration.R
    spot = ray * k[0, 0] * stature_m / window.stature_px + camera_centre(calibration)
    away = np.array([-spot[0], -spot[1], 0.0])
    return away / max(float(np.linalg.norm(away)), 1e-6)


def features(window: Seen, calibration: Calibration, stature_m: float, hand: Side) -> FloatArray:
    """(T, F): the body as seen, in statures from the mid-hip, a left-hander mirrored; NaN where it was not seen.

    Then how differently it was seen a little earlier and later; 0 where it was not.
    """
    t, unit = window.t_s, window.stature_px
    count = len(t)
    flip = np.array([-1.0 if hand == "left" else 1.0, 1.0])
    middle = window.points_px[:, [INDEX["left_hip"], INDEX["right_hip"]]].mean(1)

    def from_hips(points_px: FloatArray) -> FloatArray:
        return np.asarray((points_px - middle[:, None]) / unit * flip).reshape(count, -1)

    used = [INDEX[landmark(side, name, hand)] for side, name in _USED]
    body = from_hips(window.points_px[:, used])
    around = [np.nan_to_num(_later(t, body, by_s) - body) for by_s in _AROUND_S]
    moving = np.gradient(window.points_px[:, used], t, axis=0) / unit * flip * _FRAME_S
    ball = from_hips(window.ball_px[:, None])
    seen: NDArray[np.bool_] = np.asarray(np.isfinite(ball).all(1))
    k, rotation = calibration.camera_matrix, calibration.R
    place = (middle - k[:2, 2]) / k[0, 0] * flip
    facing = rotation @ toward_hoop(window, calibration, stature_m)
    across, near = float(facing[0] * flip[0]), -float(facing[2])
    view = [across, near, across * near, near**2 - across**2, float(rotation[2, 2])]
    return np.column_stack(
        [
            body,
            moving.reshape(count, -1),
            window.trust[:, used],
            np.where(seen[:, None], ball, 0.0),
            seen,
            place,
            np.broadcast_to(view, (count, len(view))),
            *around,
        ]
    )


def _later(t_s: FloatArray, values: FloatArray, by_s: float) -> FloatArray:
    """(T, F): values (T, F) so much later, between samples; at the window's ends those of the end."""
    at = np.clip(t_s + by_s, t_s[0], t_s[-1])
    after = np.clip(np.searchsorted(t_s, at), 1, len(t_s) - 1)
    share = ((at - t_s[after - 1]) / (t_s[after] - t_s[after - 1]))[:, None]
    return np.asarray((1 - share) * values[after - 1] + share * values[after])


def learned(window: Seen, calibration: Calibration, stature_m: float, hand: Side, network: JointNetwork) -> Learned:
    """The joints of a window: what the members make of the landmarks, together."""
    x = features(window, calibration, stature_m, hand)
    known: NDArray[np.bool_] = np.asarray(np.isfinite(x).all(1))
    x = np.where(known[:, None], np.clip((x - network.mean) / network.spread, -FAR, FAR), 0.0)
    members = [_forward(x, network, i) for i in range(len(network.w1))]
    mean = np.mean([m for m, _ in members], axis=0)
    sigma = np.sqrt(np.mean([np.exp(2 * s) for _, s in members], axis=0) + np.var([m for m, _ in members], axis=0))
    mean, sigma = mean * network.out_spread + network.out_mean, sigma * network.out_spread * network.honest
    sigma[~known], mean[~known] = _UNKNOWN, 0.0
    n = len(JOINTS)
    flip = np.array([-1.0 if hand == "left" else 1.0, 1.0])
    return Learned(
        mean[:, : 2 * n].reshape(-1, n, 2) * flip,
        sigma[:, : 2 * n].reshape(-1, n, 2),
        mean[:, 2 * n :],
        sigma[:, 2 * n :],
        network.together,
    )


_UNKNOWN = 1.0
"""Statures; the error where a body was not seen throughout."""
FAR = 4.0
"""Spreads from the mean of what was learned beyond which a feature says no more."""


def _forward(x: FloatArray, network: JointNetwork, i: int) -> tuple[FloatArray, FloatArray]:
    """Means and logarithms of sigmas, (T, O) each; the units are sigmoid-weighted (Elfwing, Uchibe and Doya 2018)."""
    for weight, bias in ((network.w1, network.b1), (network.w2, network.b2)):
        x = x @ weight[i].T + bias[i]
        x = x / (1.0 + np.exp(-x))
    sigma = x @ network.w_sigma[i].T + network.b_sigma[i]
    return x @ network.w_mean[i].T + network.b_mean[i], np.clip(sigma, -3.0, 2.0)
