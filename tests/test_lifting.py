"""Lifting on bodies whose joints are known exactly, seen by a camera that is known exactly; no network, no pixels.

A stick player is laid out by formula, projected, and given back with noise. What the solver claims of its own error is
held against what it really gets wrong.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from calibration_scenes import camera_at

from rimward.calibration.geometry import camera_centre, moved, project
from rimward.calibration.record import Calibration
from rimward.live import lifting
from rimward.live.angles import internal_deg
from rimward.live.anthropometry import LANDMARKS, LENGTHS, SLIDES
from rimward.live.ball_edge import Outline
from rimward.live.blocks import Normal, NotPositiveError, factor
from rimward.live.lifting import AT, POINTS, Body, LiftedTrack, NotLifted, Seen, lift
from rimward.live.records import Ball, Observation, Pose
from rimward.live.skeleton import COUNT, INDEX, MIRRORED

Array = np.ndarray
STATURE_M, RELEASE_S, SPOT_Y = 1.85, 1.5, -4.3
SIDE = camera_at((3.7, SPOT_Y, 1.0), (0.0, SPOT_Y, 1.25))
FRONT = camera_at((0.6, SPOT_Y + 3.8, 1.0), (0.0, SPOT_Y, 1.25))
DIAG = camera_at((2.7, SPOT_Y + 2.7, 1.0), (0.0, SPOT_Y, 1.25))
VIEWS = {"side": SIDE, "diag": DIAG, "front": FRONT}


def smooth(t: Array, keys: list[tuple[float, float]]) -> Array:
    """Minimum-jerk moves between (time, value) keys."""
    out = np.full_like(t, keys[0][1])
    for (t0, v0), (t1, v1) in itertools.pairwise(keys):
        s = np.clip((t - t0) / (t1 - t0), 0, 1)
        out = np.where(t >= t0, v0 + (v1 - v0) * s**3 * (10 - 15 * s + 6 * s * s), out)
    return out


def player(
    t: Array,
    stature_m: float = STATURE_M,
    elbow_deg: float = 78.0,
    out_m: float = 0.03,
    size: float = 1.0,
    knee_deg: float = 118.0,
) -> Array:
    """(T, 19, 3): a right-hander's free throw from the line; `out_m` is how far the elbow points out at set.

    Lengths are those of anthropometry times `size`.
    """
    length = {name: value.share * stature_m * size for name, value in LENGTHS.items()}
    knee = np.radians(smooth(t, [(0.3, 172), (1.1, knee_deg), (1.5, 172)]))
    lean = np.radians(smooth(t, [(0.3, 3), (1.1, 10), (1.5, 2)]))
    elbow = np.radians(smooth(t, [(0.2, 115), (0.6, 115), (1.0, elbow_deg), (1.25, elbow_deg), (1.5, 140), (1.6, 170)]))
    arm = np.radians(smooth(t, [(0.2, 5), (0.6, 5), (1.0, 75), (1.25, 85), (1.5, 128), (1.6, 135)]))
    aside = smooth(t, [(0.6, 0.02), (1.0, out_m), (1.3, out_m), (1.55, 0.0)])
    x = np.zeros((len(t), len(POINTS), 3))
    put = lambda name, value: x.__setitem__((slice(None), AT[name]), value)  # noqa: E731
    thigh, shank = length["thigh"], length["shank"]
    reach = np.sqrt(thigh**2 + shank**2 - 2 * thigh * shank * np.cos(knee))
    hip_height, ankle_height = 0.08 + reach * 0.995, 0.08
    for side, sign in (("left", -0.5), ("right", 0.5)):
        right = sign * length["hips"]
        ankle = np.stack([np.full_like(t, right * 1.2), np.full_like(t, SPOT_Y), np.full_like(t, ankle_height)], -1)
        hip = np.stack([np.full_like(t, right), np.full_like(t, SPOT_Y - 0.04), hip_height], -1)
        way = hip - ankle
        d = np.linalg.norm(way, axis=-1)
        along = (shank**2 - thigh**2 + d**2) / (2 * d)
        off = np.sqrt(np.maximum(shank**2 - along**2, 0))
        forward = np.cross(way / d[:, None], [1.0, 0.0, 0.0])
        put(f"{side}_hip", hip)
        put(f"{side}_ankle", ankle)
        put(f"{side}_knee", ankle + way / d[:, None] * along[:, None] + forward * off[:, None])
        put(f"{side}_heel", ankle + [0, -0.03, -0.04])
        put(f"{side}_foot_index", ankle + [0, length["foot"] - 0.03, -0.045])
    hips = (x[:, AT["left_hip"]] + x[:, AT["right_hip"]]) / 2
    up = np.stack([np.zeros_like(t), np.sin(lean), np.cos(lean)], -1)
    neck = hips + up * np.sqrt(length["trunk"] ** 2 - (0.5 * (length["shoulders"] - length["hips"])) ** 2)
    across = np.array([0.5 * length["shoulders"], 0.02, 0.0])
    put("right_shoulder", neck + across)
    put("left_shoulder", neck - across)
    eyes = np.sqrt(length["shoulder_eyes"] ** 2 - (0.5 * length["shoulders"]) ** 2)
    put("eyes", neck + up * eyes * 0.75 + np.array([0.0, 0.66 * eyes, 0.0]))
    put("nose", x[:, AT["eyes"]] + np.array([0.0, 0.66, -0.75]) * length["eyes_nose"])
    for side in ("left", "right"):
        shoulder = x[:, AT[f"{side}_shoulder"]]
        wide = (aside if side == "right" else -0.5 * np.abs(aside)) / length["upper_arm"]
        flat = np.sqrt(1 - wide**2)
        upper = np.stack([wide, flat * np.sin(arm), -flat * np.cos(arm)], -1)
        put(f"{side}_elbow", shoulder + upper * length["upper_arm"])
        turn = arm + np.pi - elbow
        fore = np.stack([np.zeros_like(t), np.sin(turn), -np.cos(turn)], -1)
        put(f"{side}_wrist", x[:, AT[f"{side}_elbow"]] + fore * length["forearm"])
    wrist = x[:, AT["right_wrist"]]
    held = wrist + np.array([-0.05, 0.06, 0.13])
    gone = np.clip(t - RELEASE_S, 0, None)[:, None]
    put("ball", held + gone * [0.0, 4.3, 5.6] - 0.5 * 9.81 * gone**2 * [0, 0, 1])
    return x


def seen_by(
    camera: Calibration, t: Array, joints: Array, noise_px: float = 2.0, seed: int = 0, bias: float = 0.0
) -> Seen:
    """What the network and the ball would show: noise, the network's usual places, and `bias` of their spread."""
    random = np.random.default_rng(seed)
    marked = joints.copy()
    for slide in SLIDES:
        share = slide.share + bias * slide.spread * random.standard_normal()
        for side in ("left", "right"):
            joint, end = AT[f"{side}_{slide.landmark}"], AT[f"{side}_{slide.toward}"]
            marked[:, joint] += share * (joints[:, end] - joints[:, joint])
    px = project(camera, marked)
    px_per_m = camera.camera_matrix[0, 0] / float(np.median(joints[:, AT["right_hip"]] @ camera.R[2] + camera.t[2]))
    points, stature = np.zeros((len(t), COUNT, 2)), STATURE_M
    toward = np.array([0.0, 1.0, 0.0])
    for name in (*INDEX,):
        joint = name.removeprefix("left_").removeprefix("right_")
        at = "eyes" if "eye" in name else name if name in AT else "nose"
        habit = LANDMARKS.get("eyes" if at == "eyes" else joint) or LANDMARKS["nose"]
        shift = camera.R[:2] @ (habit.ahead * toward + habit.up * np.array([0, 0, 1.0])) * stature
        shift = shift + bias * random.standard_normal(2) * habit.spread * stature
        points[:, INDEX[name]] = px[:, AT[at]] + shift * px_per_m + noise_px * random.standard_normal((len(t), 2))
    depth = joints[:, AT["ball"]] @ camera.R[2] + camera.t[2]
    radius = camera.camera_matrix[0, 0] * 0.1194 / depth * (1 + 0.006 * random.standard_normal(len(t)))
    ball = px[:, AT["ball"]] + 0.3 * random.standard_normal((len(t), 2))
    return Seen(t, points, np.ones((len(t), COUNT)), ball, radius, np.full(len(t), 0.009), px_per_m * stature)


def times(end_s: float = 1.95, rate: float = 30.0) -> Array:
    return np.arange(0.2, end_s, 1 / rate)


def lifted(
    seen: Seen,
    camera: Calibration,
    release_s: float = RELEASE_S,
    hand: str = "right",
    airborne_s: tuple[float, float] | None = None,
) -> LiftedTrack:
    found = lift(seen, camera, Body(STATURE_M), hand, release_s, airborne_s=airborne_s)
    assert isinstance(found, LiftedTrack)
    return found


def angle(points: Array, a: str, b: str, c: str) -> Array:
    return internal_deg(points[..., AT[a], :], points[..., AT[b], :], points[..., AT[c], :])


ELBOW = ("right_shoulder", "right_elbow", "right_wrist")
KNEE = ("right_hip", "right_knee", "right_ankle")


@pytest.mark.parametrize(
    ("view", "elbow_deg", "knee_deg"), [("side", 4.0, 3.0), ("diag", 7.0, 4.0), ("front", 14.0, 6.0)]
)
def test_angles_come_back_from_the_picture(view, elbow_deg, knee_deg):
    """The habits' means are this player's own, so what is left is noise and the view."""
    t = times()
    true = player(t)
    one = lifted(seen_by(VIEWS[view], t, true), VIEWS[view])
    shot = (t > 0.9) & (t < RELEASE_S)
    assert np.median(np.abs(angle(one.points, *ELBOW) - angle(true, *ELBOW))[shot]) < elbow_deg
    assert np.median(np.abs(angle(one.points, *KNEE) - angle(true, *KNEE))[shot]) < knee_deg


@pytest.mark.parametrize("view", VIEWS)
def test_the_truth_lies_within_the_stated_error(view):
    """Over players with other limbs, elbows and network habits, truth lies within 2 sigma as often as it should."""
    inside, t = [], times()
    random = np.random.default_rng(5)
    for seed in range(10):
        true = player(
            t,
            elbow_deg=float(random.uniform(60, 95)),
            out_m=float(random.normal(0.03, 0.05)),
            size=float(random.normal(1.0, 0.012)),
            knee_deg=float(random.uniform(100, 130)),
        )
        one = lifted(seen_by(VIEWS[view], t, true, seed=seed, bias=1.0), VIEWS[view])
        for joints in (ELBOW, KNEE):
            value, spread = angle(one.points, *joints), angle(one.draws, *joints)
            sigma = np.sqrt(np.mean((spread - value) ** 2, axis=0))
            k = int(np.argmin(np.abs(t - 1.2)))
            inside.append(abs(value[k] - angle(true, *joints)[k]) < 2 * sigma[k])
    assert np.mean(inside) >= 0.85


def test_a_left_hander_is_a_right_hander_in_the_mirror():
    t = times()
    true = player(t)
    seen = seen_by(SIDE, t, true)
    flip = np.diag([-1.0, 1.0, 1.0])
    # the mirrored camera: x of the picture and of the court change sign together
    mirrored = replace(SIDE, R=flip @ SIDE.R @ flip, t=flip @ SIDE.t)
    width = 2 * SIDE.camera_matrix[0, 2]
    points = seen.points_px[:, list(MIRRORED)] * [-1, 1] + [width, 0]
    other = replace(seen, points_px=points, ball_px=seen.ball_px * [-1, 1] + [width, 0])
    right, left = lifted(seen, SIDE), lifted(other, mirrored, hand="left")
    swapped = [AT[n.replace("left", "#").replace("right", "left").replace("#", "right")] for n in POINTS]
    np.testing.assert_allclose(left.points[:, swapped] * [-1, 1, 1], right.points, atol=2e-3)


def test_nothing_depends_on_when_the_shot_was_made():
    t = times()
    seen = seen_by(DIAG, t, player(t))
    later = replace(seen, t_s=seen.t_s + 1234.5)
    np.testing.assert_allclose(lifted(later, DIAG, RELEASE_S + 1234.5).points, lifted(seen, DIAG).points, atol=1e-4)


def test_a_hidden_arm_is_not_known():
    """Landmarks that the network does not vouch for leave the arm open, and the error says so."""
    t = times()
    seen = seen_by(SIDE, t, player(t))
    trust = seen.trust.copy()
    trust[:, [INDEX["right_elbow"], INDEX["right_wrist"]]] = 0.0
    clear, hidden = lifted(seen, SIDE), lifted(replace(seen, trust=trust), SIDE)
    elbow = AT["right_elbow"]
    assert np.median(hidden.sigma_m()[:, elbow]) > np.median(clear.sigma_m()[:, elbow])


def test_one_wild_landmark_does_not_bend_the_shot():
    t = times()
    seen = seen_by(SIDE, t, player(t))
    points = seen.points_px.copy()
    k = int(np.argmin(np.abs(t - 1.1)))
    points[k, INDEX["right_wrist"]] += [0.0, 150.0]
    straight, hit = lifted(seen, SIDE), lifted(replace(seen, points_px=points), SIDE)
    wrist = AT["right_wrist"]
    assert np.linalg.norm(hit.points[k, wrist] - straight.points[k, wrist]) < 0.06


def test_who_is_in_the_air_falls_freely():
    """Physics: from take-off to landing the body's centre falls with 9.81 m/s2, however the landmarks tremble."""
    t = times()
    joints = player(t)
    up_s, air_s = 1.42, 0.48
    since = np.clip(t - up_s, 0.0, air_s)
    joints[..., 2] += (4.905 * since * (air_s - since))[:, None]
    air = (t > up_s + 0.08) & (t < up_s + air_s - 0.08)
    parts = {"shoulder": 0.424, "hip": 0.367, "knee": 0.140, "ankle": 0.069}
    off = []
    for seed in range(3):
        seen = seen_by(FRONT, t, joints, noise_px=6.0, seed=seed)
        points = lifted(seen, FRONT, airborne_s=(up_s, up_s + air_s)).points[air]
        centre = sum(w * (points[:, AT[f"left_{j}"], 2] + points[:, AT[f"right_{j}"], 2]) / 2 for j, w in parts.items())
        off.append(2 * np.polyfit(t[air], centre, 2)[0] + 9.81)
    assert np.abs(off).max() < 1.2


def test_a_window_that_is_too_short_is_refused():
    t = times()[:5]
    found = lift(seen_by(SIDE, t, player(t)), SIDE, Body(STATURE_M), "right", RELEASE_S)
    assert found == NotLifted("the body was seen for too short a time")


def test_a_camera_that_is_known_less_well_makes_places_less_certain():
    t = times()
    seen = seen_by(SIDE, t, player(t))
    loose = replace(SIDE, covariance=np.diag([0.01, 0.01, 0.01, 0.1, 0.1, 0.1, 0.02]) ** 2)
    ball = AT["ball"]
    k = int(np.argmin(np.abs(t - 1.2)))
    assert lifted(seen, loose).sigma_m()[k, ball].max() > 1.2 * lifted(seen, SIDE).sigma_m()[k, ball].max()


LOOSE = np.diag([0.01, 0.01, 0.01, 0.05, 0.05, 0.05, 0.03]) ** 2
"""A camera placed by a few clicked marks: 0.6 degrees, 5 cm, 3 % of its focal length."""


@pytest.mark.parametrize("view", VIEWS)
def test_the_ball_lies_where_it_is_stated_to_whatever_camera_it_was(view):
    """The pictures are those of cameras drawn from what is stated of the one that is believed."""
    t = times()
    true, ball, k = player(t), AT["ball"], int(np.argmin(np.abs(t - 1.2)))
    believed, off = replace(VIEWS[view], covariance=LOOSE), []
    for seed in range(8):
        real = moved(VIEWS[view], np.random.default_rng(seed).multivariate_normal(np.zeros(7), LOOSE))
        one = lifted(seen_by(real, t, true, seed=seed), believed)
        off.append((one.points[k, ball] - true[k, ball]) / one.sigma_m()[k, ball])
    assert np.sqrt(np.mean(np.square(off), axis=0)).max() < 1.6


@pytest.mark.parametrize("axis", range(7))
def test_a_camera_that_stands_as_the_solution_says_explains_all_that_it_sees(axis):
    """Moved along each of the record's parameters in turn, pixels and the ball's size alike."""
    t = times()[::6]
    true = player(t)
    way = 0.004 * np.eye(7)[axis]
    believed = replace(DIAG, covariance=LOOSE)
    off = {}
    for camera, by in ((DIAG, np.zeros(7)), (moved(DIAG, way), way)):
        problem = lifting._Problem(seen_by(camera, t, true, 0.0), believed, Body(STATURE_M), "right", RELEASE_S)
        shared = problem.mean.copy()
        shared[problem.at_camera : problem.at_camera + 7] = np.linalg.solve(problem.camera_ways, by)
        off[camera] = [problem._reprojection(true, shared)[0], problem._ball_size(true, shared)[0]]
    for still, there in zip(*off.values(), strict=True):
        np.testing.assert_allclose(there, still, atol=0.03)


@pytest.mark.parametrize("k1", [-0.2, -0.05, 0.1])
def test_the_balls_size_is_that_of_a_lens_that_does_not_bend(k1):
    """The outline of a sphere through a lens that bends: the points at which the camera's rays touch it."""
    camera = camera_at((4.0, SPOT_Y, 1.0), (0.0, SPOT_Y, 1.25), distortion=(k1, 0, 0, 0, 0))
    for place in ([0.0, -4.3, 1.3], [0.0, -2.6, 2.5], [0.0, -5.9, 2.4]):
        ball, way = np.array(place), np.array(place) - camera_centre(camera)
        far = np.linalg.norm(way)
        across = np.cross(way, [0.0, 0.0, 1.0])
        upward = np.cross(across, way)
        turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)[:, None]
        ring = np.cos(turn) * across / np.linalg.norm(across) + np.sin(turn) * upward / np.linalg.norm(upward)
        aside = np.arcsin(0.12 / far)
        outline = project(camera, camera_centre(camera) + np.cos(aside) * way / far + np.sin(aside) * ring)
        centre = outline.mean(0)
        radius = float(np.linalg.norm(outline - centre, axis=1).mean())
        pose = Pose(figure_px(camera), np.ones(COUNT), np.zeros(COUNT))
        one = Ball(centre, radius, 1.0)
        seen = lifting.seen([Observation(0, 0.0, pose, one)], camera, [Outline(one, 1.0)])
        assert seen is not None
        depth = camera.camera_matrix[0, 0] * 0.12 / seen.ball_radius_px[0]
        assert depth == pytest.approx((camera.R @ ball + camera.t)[2], rel=0.006)


def figure_px(camera: Calibration) -> Array:
    """(33, 2), a standing player's landmarks."""
    points = player(np.array([0.3]))[0]
    names = [name if name in AT else "eyes" if "eye" in name else "nose" for name in INDEX]
    return project(camera, points[[AT[name] for name in names]])


def test_derivatives_are_those_of_the_residuals():
    """Central differences; the robust weight is held fixed, as in iteratively reweighted least squares."""
    t = times()[::6]
    camera = replace(DIAG, covariance=np.diag([0.01, 0.01, 0.01, 0.1, 0.1, 0.1, 0.02]) ** 2)
    true = player(t)
    problem = lifting._Problem(seen_by(camera, t, true), camera, Body(STATURE_M), "right", RELEASE_S)
    random = np.random.default_rng(1)
    x = true + 0.03 * random.standard_normal(true.shape)
    shared = problem.mean + 0.1 * random.standard_normal(problem.shared_count) / np.sqrt(problem.precision)
    dx = random.standard_normal(x.shape)
    ds = random.standard_normal(problem.shared_count) / np.sqrt(problem.precision)
    for part in (problem._reprojection, problem._lengths, problem._ball_size):
        _, ja, jb = part(x, shared)
        step = 1e-6
        up, down = part(x + step * dx, shared + step * ds)[0], part(x - step * dx, shared - step * ds)[0]
        flat = dx.reshape(len(t), *(1,) * (ja.ndim - 2), -1)
        claimed = (ja * flat).sum(-1) + jb @ ds
        np.testing.assert_allclose(claimed, (up - down) / (2 * step), rtol=2e-3, atol=2e-3 * np.abs(claimed).max())


def test_a_longer_lens_and_more_distance_are_as_smooth():
    """The same body, seen as large: else the lens that nobody knows would grow, and the body go away by a metre."""
    t = times()[::3]
    true = player(t)
    believed = replace(DIAG, covariance=LOOSE)
    problem = lifting._Problem(seen_by(DIAG, t, true), believed, Body(STATURE_M), "right", RELEASE_S)
    keep = problem.smooth_weight

    def roughness(x: Array, longer: float) -> float:
        shared = problem.mean.copy()
        moved_by = np.array([0, 0, 0, 0, 0, 0, np.log(longer)])
        shared[problem.at_camera : problem.at_camera + 7] = np.linalg.solve(problem.camera_ways, moved_by)
        problem.smooth_weight = keep
        full = problem.normal(x, shared)[0]
        problem.smooth_weight = np.zeros_like(keep)
        return full - problem.normal(x, shared)[0]

    depth = ((true - problem.centre) @ problem.R[2]).mean()
    farther = true + 0.1 * depth * problem.R[2]
    assert roughness(farther, 1.1) == pytest.approx(roughness(true, 1.0), rel=1e-2)


@pytest.mark.parametrize("share", [0.98, 1.02])
def test_the_same_picture_nearer_or_farther_is_as_smooth(share):
    """Else whoever stands near, and so moves less for it, would be believed more: 5 cm on rendered shots."""
    t = times()[::3]
    true = player(t)
    problem = lifting._Problem(seen_by(DIAG, t, true), DIAG, Body(STATURE_M), "right", RELEASE_S)
    keep = problem.smooth_weight

    def roughness(x: Array) -> float:
        problem.smooth_weight = keep
        full = problem.normal(x, problem.mean)[0]
        problem.smooth_weight = np.zeros_like(keep)
        return full - problem.normal(x, problem.mean)[0]

    moved = problem.centre + (true - problem.centre) * share
    assert roughness(moved) == pytest.approx(roughness(true), rel=2e-3)


def test_the_gradient_of_smoothness_is_that_of_its_cost():
    """Central differences, along random ways, straight away from the camera, and as the camera itself may stand."""
    t = times()[::6]
    true = player(t)
    believed = replace(DIAG, covariance=LOOSE)
    problem = lifting._Problem(seen_by(DIAG, t, true), believed, Body(STATURE_M), "right", RELEASE_S)
    keep, step = problem.smooth_weight, 1e-5
    random = np.random.default_rng(3)
    x = true + 0.01 * random.standard_normal(true.shape)

    def smoothness(points: Array, shared: Array) -> tuple[float, Array, Array]:
        problem.smooth_weight = keep
        cost, normal = problem.normal(points, shared)
        problem.smooth_weight = np.zeros_like(keep)
        rest_cost, rest = problem.normal(points, shared)
        return cost - rest_cost, normal.gradient - rest.gradient, normal.shared_gradient - rest.shared_gradient

    still, camera = np.zeros(problem.shared_count), np.zeros(problem.shared_count)
    camera[problem.at_camera : problem.at_camera + 7] = random.standard_normal(7)
    gradient, shared_gradient = smoothness(x, problem.mean)[1:]
    for way, also in ((random.standard_normal(x.shape), still), (x - problem.centre, still), (0 * x, camera)):
        up, down = (smoothness(x + k * way, problem.mean + k * also)[0] for k in (step, -step))
        claimed = float((gradient * way.reshape(len(t), -1)).sum() + shared_gradient @ also)
        scale = np.linalg.norm(gradient) * np.linalg.norm(way) + np.linalg.norm(shared_gradient) * np.linalg.norm(also)
        assert claimed == pytest.approx((up - down) / (2 * step), abs=1e-5 * scale)


def test_a_face_behind_the_ball_is_not_believed():
    t = times()
    joints = player(t)
    by_face = np.abs(joints[:, AT["ball"]] - joints[:, AT["eyes"]])[:, [0, 2]].max(1) < 0.2
    assert by_face.sum() > 5
    seen = seen_by(FRONT, t, joints, noise_px=1.0)
    points = seen.points_px.copy()
    face = [INDEX[name] for name in ("left_eye", "right_eye", "nose")]
    points[np.ix_(by_face, face, [1])] -= 0.06 * seen.stature_px / STATURE_M  # driven upward from behind it
    found = lifted(replace(seen, points_px=points), FRONT)
    off = (found.points - joints)[by_face, AT["eyes"], 2]
    assert np.abs(off).max() < 0.025


def test_a_ball_off_the_axis_is_as_far_as_it_is():
    """The outline of a sphere is the cone that touches it: cut here by the picture's plane along and across its ray."""
    radius_m, k = 0.1202, FRONT.camera_matrix
    for aside in (0.0, 0.2, 0.45):
        centre = np.array([aside, 0.0, 1.0]) * 4.0
        half = np.arcsin(radius_m / np.linalg.norm(centre))
        out = np.arctan2(centre[0], centre[2])
        long = k[0, 0] * (np.tan(out + half) - np.tan(out - half)) / 2
        middle = k[0, 0] * (np.tan(out + half) + np.tan(out - half)) / 2
        # the short axis: the farthest of the cone to the side, where it is cut
        around = np.linspace(0, 2 * np.pi, 3601)
        side, up = np.array([np.cos(out), 0.0, -np.sin(out)]), np.array([0.0, 1.0, 0.0])
        ring = np.cos(half) * centre / np.linalg.norm(centre) + np.sin(half) * (
            np.outer(np.cos(around), side) + np.outer(np.sin(around), up)
        )
        short = k[1, 1] * (ring[:, 1] / ring[:, 2]).max()
        ball = Ball(k[:2, 2] + [middle, 0.0], (long + short) / 2, 1.0)
        body = Pose(project(FRONT, player(times()[:1])[0, [AT["nose"]] * COUNT]), np.ones(COUNT), np.zeros(COUNT))
        body = replace(body, landmarks_px=body.landmarks_px + np.linspace(0, 400, COUNT)[:, None] * [0.0, 1.0])
        window = lifting.seen([Observation(i, i / 30, body, ball) for i in range(8)], FRONT)
        assert window is not None
        assert k[0, 0] * radius_m / window.ball_radius_px == pytest.approx(centre[2], rel=3e-3)


# ------------------------------------------------------------------------------------------------- the block solver
def random_normal(t: int = 6, n: int = 4, g: int = 3, seed: int = 0) -> tuple[Normal, Array, Array]:
    """A well-posed system, and the same as one dense matrix and right-hand side."""
    random = np.random.default_rng(seed)
    size = t * n + g
    dense = np.zeros((size, size))
    parts = Normal(
        np.stack([(a := random.normal(size=(n, n))) @ a.T + 10 * np.eye(n) for _ in range(t)]),
        random.normal(size=(t, n)),
        random.normal(size=(t, n)),
        random.normal(size=(t, n, g)),
        100 * np.eye(g),
        random.normal(size=(t, n)),
        random.normal(size=g),
    )
    for k in range(t):
        here = slice(k * n, k * n + n)
        dense[here, here] = parts.diagonal[k]
        dense[here, t * n :], dense[t * n :, here] = parts.border[k], parts.border[k].T
        for step, coupling in ((1, parts.next_one), (2, parts.next_two)):
            if k + step < t:
                there = slice((k + step) * n, (k + step) * n + n)
                dense[here, there] = dense[there, here] = np.diag(coupling[k])
    dense[t * n :, t * n :] = parts.shared
    return parts, dense, np.concatenate([parts.gradient.ravel(), parts.shared_gradient])


def test_the_block_solver_solves_the_dense_system():
    """numpy.linalg.solve as the outside check."""
    parts, dense, right = random_normal()
    x, shared = factor(parts).step()
    np.testing.assert_allclose(np.concatenate([x.ravel(), shared]), -np.linalg.solve(dense, right), atol=1e-12)


def test_draws_have_the_covariance_of_the_solution():
    """numpy.linalg.inv as the outside check, up to the noise of 20,000 draws."""
    parts, dense, _ = random_normal()
    found = factor(parts).draws(20_000).reshape(20_000, -1)
    true = np.linalg.inv(dense)[: found.shape[1], : found.shape[1]]
    np.testing.assert_allclose(np.cov(found.T, bias=True), true, atol=0.03 * np.abs(true).max())
    np.testing.assert_allclose(found.mean(0), 0.0, atol=1e-12)


def test_an_open_system_is_said_to_be_one():
    parts, _, _ = random_normal()
    with pytest.raises(NotPositiveError, match="no unique solution"):
        factor(replace(parts, diagonal=0 * parts.diagonal))
