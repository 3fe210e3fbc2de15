"""Calibration from marks: solve, hold the result against every gate, and say in one line what is wrong if it fails."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from .courts import COURTS, Court, court_named, named_marks
from .errors import CalibrationError
from .lens import NARROWEST_HFOV_DEG, WIDEST_HFOV_DEG, Lens, hfov_of
from .record import Calibration, LensKind
from .solver import (
    PlacedMark,
    Pose,
    Problem,
    averaged,
    covariance,
    evaluated,
    flatness,
    noise_px,
    one_sigma,
    refine,
    solutions,
)

FEWEST_MARKS: Final = 4
RMS_LIMIT: Final = 3.0 / 1280
WORST_LIMIT: Final = 6.0 / 1280
"""Of one mark. Both as shares of the picture's width: about four and eight times the error of a careful hand."""
HIGHEST_TRIPOD_M: Final = 3.0
"""Only used to choose between two cameras that fit equally well."""
SIGMA_POSITION_LIMIT_M: Final = 3.0
SIGMA_DIRECTION_LIMIT_DEG: Final = 8.0
"""Beyond these a calibration tells less than none."""

_ON_RIM: Final = ("ring_", "board_", "square_")
_ON_BOARD: Final = ("board_", "square_")
_SAME_COST: Final = 9.0
"""Two cameras whose costs differ by less fit equally well (three standard deviations)."""
LENS_COST: Final = 16.0
"""A lens that is not only assumed is refused when another one fits better by this much (four standard deviations: with
five, a typed view 6 degrees off passed on one set of tape marks in ten)..."""
LENS_CHANGE: Final[dict[LensKind, float]] = {"known": 0.05, "calibrated": 0.02}
"""...and differs from it by more than this share."""
_COURT_COST: Final = 25.0
"""Another court fits better by five standard deviations."""
_BENT: Final = 0.03
"""A k1 below this is a lens as most are, and asks for no second look at the marks."""
ANY_LENS: Final = 0.6
"""Spread of ln(focal length) when looking for what is wrong: next to no belief about the lens."""
_TELLING_SPREAD: Final = 0.05
"""The marks have told the lens when the focal length is known to this share."""


def calibrate_marks(
    marks: Sequence[PlacedMark], lens: Lens, court: Court = COURTS["us"], camera: str = ""
) -> Calibration:
    """The camera that put these marks where they were seen.

    Raises CalibrationError, with the reason, when the marks cannot or must not be trusted.
    """
    check_marks(marks, lens)
    problem = Problem.of(marks, lens)
    found = solutions(problem)
    if not found:
        raise CalibrationError("no camera has all these marks in front of it: check the marks' places and pixels")
    possible = [pose for pose in found if impossible(pose, marks) is None]
    if not possible or not _fits(problem, possible[0]):
        raise CalibrationError(_diagnosis(problem, marks, court, found, possible))
    notes: list[str] = []
    pose = _chosen(problem, possible, notes)
    _check_lens(problem, pose)
    _check_court(problem, pose, marks, court)
    return _record(problem, pose, court, camera, notes)


def check_marks(marks: Sequence[PlacedMark], lens: Lens) -> None:
    """Raise CalibrationError for marks that cannot carry a calibration, whatever the camera."""
    if len(marks) < FEWEST_MARKS:
        raise CalibrationError(f"at least {FEWEST_MARKS} marks are needed, got {len(marks)}")
    width, height = lens.image_size
    for i, mark in enumerate(marks):
        if not np.isfinite([*mark.world_m, *mark.px]).all():
            raise CalibrationError(f"mark {mark.name} must have finite numbers, got {mark.world_m} and {mark.px}")
        if not (0 <= mark.px[0] <= width and 0 <= mark.px[1] <= height):
            raise CalibrationError(
                f"mark {mark.name} at ({mark.px[0]:g}, {mark.px[1]:g}) px lies outside the {width} x {height} picture"
            )
        for other in marks[:i]:
            if mark.name == other.name or np.allclose(mark.world_m, other.world_m, rtol=0, atol=1e-3):
                raise CalibrationError(f"mark {mark.name} was given twice: keep one of {other.name} and {mark.name}")
    extents = flatness(np.array([mark.world_m for mark in marks]))
    if extents[1] < 0.02 * extents[0]:
        raise CalibrationError("the marks lie on one line: add one off that line")
    spread = flatness(np.array([mark.px for mark in marks]))
    if spread[1] < 0.003 * width:
        raise CalibrationError("the marks lie on one line in the picture: add one off that line")


def impossible(pose: Pose, marks: Iterable[PlacedMark]) -> str | None:
    """Why no camera can stand here, or None."""
    x, y, z = pose.centre
    if z <= 0:
        return f"the marks put the camera {-z:.2f} m below the floor"
    faces = [mark.world_m[1] for mark in marks if mark.name.startswith(_ON_BOARD)]
    if faces and y >= min(faces):
        return f"the marks put the camera {y - min(faces):.2f} m behind the board's face"
    if not np.isfinite([x, y, z]).all() or max(abs(x), abs(y), z) > 60:
        return f"the marks put the camera {max(abs(x), abs(y), z):.0f} m away"
    return None


def _limit_px(problem: Problem, share: float) -> float:
    return share * max(problem.lens.image_size)


def _fits(problem: Problem, pose: Pose) -> bool:
    worst = float(np.linalg.norm(pose.residuals_px, axis=1).max())
    return pose.rms_px <= _limit_px(problem, RMS_LIMIT) and worst <= _limit_px(problem, WORST_LIMIT)


def _best(marks: Sequence[PlacedMark], lens: Lens) -> Pose | None:
    """The best possible camera for these marks when it fits, else None."""
    problem = Problem.of(marks, lens)
    for pose in solutions(problem):
        if impossible(pose, marks) is None:
            return pose if _fits(problem, pose) else None
    return None


def _chosen(problem: Problem, possible: Sequence[Pose], notes: list[str]) -> Pose:
    """The right one of the cameras that fit equally well."""
    best = possible[0]
    scale = (noise_px(problem, best) / problem.sigma_px) ** 2
    # two minima closer than the uncertainty that is reported anyway are one answer
    apart = max(0.3, 3 * one_sigma(covariance(problem, best)[3:6, 3:6]))
    rivals = [
        pose
        for pose in possible
        if pose.cost - best.cost < _SAME_COST * scale
        and (pose is best or np.linalg.norm(pose.centre - best.centre) > apart)
    ]
    if len(rivals) == 1:
        return best
    places = " and ".join(f"({', '.join(f'{c:.1f}' for c in pose.centre)})" for pose in rivals[:2])
    low = [pose for pose in rivals if pose.centre[2] <= HIGHEST_TRIPOD_M]
    if len(low) != 1:
        raise CalibrationError(
            f"the marks fit two cameras equally well, at {places} m: "
            "add a mark off their plane (ring_front, or one on the floor)"
        )
    notes.append(f"the marks fit cameras at {places} m equally well; the lower one was taken")
    return low[0]


def _check_lens(problem: Problem, pose: Pose) -> None:
    """Raise CalibrationError when the lens is not one a webcam has or not the one that took the picture."""
    hfov = hfov_of(problem.matrix(pose.ln_focal)[0, 0], problem.lens.image_size[0])
    if not NARROWEST_HFOV_DEG <= hfov <= WIDEST_HFOV_DEG:
        raise CalibrationError(wrong_lens(problem.lens, pose.ln_focal))
    limit = LENS_CHANGE.get(problem.lens.kind)
    if limit is None or len(problem.px) < FEWEST_MARKS + 1:
        return
    free = replace(problem, lens=replace(problem.lens, sigma_focal=ANY_LENS))
    better = refine(free, pose)
    scale = (noise_px(free, better) / free.sigma_px) ** 2
    if abs(better.ln_focal) > limit and pose.cost - better.cost > LENS_COST * scale:
        raise CalibrationError(wrong_lens(problem.lens, better.ln_focal))


def _check_court(problem: Problem, pose: Pose, marks: Sequence[PlacedMark], court: Court) -> None:
    """Raise CalibrationError when the marks fit another court far better: a lens free to bend lines could hide that."""
    if abs(pose.k1) < _BENT:
        return
    for name, other in _other_courts(marks, court):
        better = _best(other, problem.lens)
        if better is None:
            continue
        scale = (noise_px(Problem.of(other, problem.lens), better) / problem.sigma_px) ** 2
        if pose.cost - better.cost > _COURT_COST * scale:
            raise CalibrationError(_wrong_court(court, name))


def _other_courts(marks: Sequence[PlacedMark], court: Court) -> list[tuple[str, list[PlacedMark]]]:
    """The marks as they would lie on each other court of the rule books, where they lie elsewhere there."""
    moved = [(name, _on_court(marks, court_named(name, court.rim_height_m))) for name in COURTS if name != court.name]
    return [(name, other) for name, other in moved if other != list(marks)]


def _wrong_court(court: Court, fits: str) -> str:
    return f"the marks do not fit court {court.name!r} but fit {fits!r}: change court in the points file"


def wrong_lens(lens: Lens, ln_focal: float) -> str:
    """The words for marks that fit another lens than the one that was taken, `ln_focal` from it."""
    width, focal = lens.image_size[0], lens.camera_matrix[0, 0]
    taken, seen = hfov_of(focal, width), hfov_of(focal * float(np.exp(ln_focal)), width)
    if not NARROWEST_HFOV_DEG <= seen <= WIDEST_HFOV_DEG:
        return (
            f"the marks ask for a lens that sees {seen:.0f} degrees across, and webcams see {NARROWEST_HFOV_DEG:g} to "
            f"{WIDEST_HFOV_DEG:g}: check the marks' places and pixels"
        )
    if lens.kind == "assumed":
        return f"the marks ask for a lens that sees {seen:.0f} degrees across, unlike most webcams: give hfov_deg if so"
    if lens.kind == "calibrated":
        return (
            f"the lens was measured as {taken:.0f} degrees across, but the marks fit one of {seen:.0f}: "
            "measure the lens again in this mode of the camera, or check the marks' places"
        )
    return (
        f"the lens was given as {taken:.0f} degrees across, but the marks fit one of {seen:.0f}: "
        "leave the lens out, or check that hfov_deg is the horizontal view and not the diagonal"
    )


def _swapped_names(marks: Sequence[PlacedMark]) -> list[tuple[str, list[PlacedMark]]]:
    """The marks with left and right exchanged: all of them, then one pair at a time, each with the words for it."""
    mirrored = [replace(mark, world_m=(-mark.world_m[0], *mark.world_m[1:])) for mark in marks]
    everything = (
        "left and right are swapped in the marks: left is the shooter's left, facing the hoop "
        "(or the picture is mirrored: switch the camera's mirror off)"
    )
    readings = [(everything, mirrored)]
    by_name = {mark.name: mark for mark in marks}
    for name, left in by_name.items():
        right = by_name.get(name.replace("left", "right"))
        if "left" in name and right is not None:
            pixels = {left.name: right.px, right.name: left.px}
            changed = [replace(mark, px=pixels.get(mark.name, mark.px)) for mark in marks]
            readings.append(
                (f"{left.name} and {right.name} are swapped: left is the shooter's left, facing the hoop", changed)
            )
    return readings


def _on_court(marks: Sequence[PlacedMark], court: Court) -> list[PlacedMark]:
    """The named marks at their places on another court; typed ones stay."""
    places = named_marks(court)
    moved = []
    for mark in marks:
        x, y, z = (float(c) for c in places.get(mark.name, mark.world_m))
        moved.append(replace(mark, world_m=(x, y, z)))
    return moved


def _diagnosis(
    problem: Problem,
    marks: Sequence[PlacedMark],
    court: Court,
    found: Sequence[Pose],
    possible: Sequence[Pose],
) -> str:
    """One line on why these marks fit no camera: the likeliest single mistake that explains it, else the worst mark."""
    lens = problem.lens
    for words, changed in _swapped_names(marks):
        if _best(changed, lens) is not None:
            return words
    on_rim = [mark for mark in marks if mark.name.startswith(_ON_RIM)]
    if 0 < len(on_rim) < len(marks):
        rim = _fitting_rim(marks, court, lens)
        if rim is not None:
            return (
                f"the rim is taken to be {court.rim_height_m:.2f} m high, but the marks fit one of about {rim:.2f} m: "
                "give rim_height_m, or check the heights and distances"
            )
    for name, other in _other_courts(marks, court):
        if _best(other, lens) is not None:
            return _wrong_court(court, name)
    if len(marks) > FEWEST_MARKS:
        pose = _best(marks, replace(lens, sigma_focal=ANY_LENS))
        if pose is not None and abs(pose.ln_focal) > LENS_CHANGE.get(lens.kind, 0.05):
            return wrong_lens(problem.lens, pose.ln_focal)
    if not possible or (impossible(found[0], marks) and _fits(problem, found[0])):
        return f"{impossible(found[0], marks)}: check left and right, and the marks' places"
    return _worst_mark(problem, marks, possible[0])


def _fitting_rim(marks: Sequence[PlacedMark], court: Court, lens: Lens) -> float | None:
    """The rim height, among those in use, at which the marks fit; None when there is none."""
    tried = [
        (rim, _best(_on_court(marks, replace(court, rim_height_m=rim)), lens)) for rim in np.arange(1.8, 3.15, 0.1)
    ]
    fits = [(pose.cost, rim) for rim, pose in tried if pose is not None]
    return float(min(fits)[1]) if fits else None


def _worst_mark(problem: Problem, marks: Sequence[PlacedMark], pose: Pose) -> str:
    """Which mark to look at: the one without which the others agree best."""
    distances = np.linalg.norm(pose.residuals_px, axis=1)
    worst = int(distances.argmax())
    off = float(distances[worst])
    if len(marks) > FEWEST_MARKS + 1:
        without: list[tuple[float, int, Pose]] = []
        for i in range(len(marks)):
            rest = [mark for j, mark in enumerate(marks) if j != i]
            found = solutions(Problem.of(rest, problem.lens))
            without += [(other.cost, i, other) for other in found[:1] if impossible(other, rest) is None]
        if without:
            _, worst, agreed = min(without, key=lambda entry: entry[0])
            seen = evaluated(problem, agreed.R, agreed.t, agreed.ln_focal, agreed.k1)
            off = float(np.linalg.norm(seen.residuals_px[worst]))
    return (
        f"the marks must agree within {_limit_px(problem, WORST_LIMIT):.1f} px but their root mean square is "
        f"{pose.rms_px:.1f} px: "
        f"look at {marks[worst].name} first, it is about {off:.0f} px from where the others put it"
    )


def _record(problem: Problem, pose: Pose, court: Court, camera: str, notes: list[str]) -> Calibration:
    pose, spread = averaged(problem, pose)
    position, direction = one_sigma(spread[3:6, 3:6]), float(np.degrees(one_sigma(spread[:3, :3])))
    if position > SIGMA_POSITION_LIMIT_M or direction > SIGMA_DIRECTION_LIMIT_DEG:
        raise CalibrationError(
            f"these marks hold the camera only to {position:.1f} m and {direction:.0f} degrees: "
            "add marks further apart, or off the line of the others"
        )
    kind: LensKind = problem.lens.kind
    if kind == "assumed":
        sigma = float(np.sqrt(spread[6, 6]))
        if sigma < _TELLING_SPREAD:
            kind = "estimated"
            notes.append(f"focal length estimated from the marks, to {100 * sigma:.1f} %")
        else:
            notes.append(f"lens assumed: a typical webcam, focal length known only to {100 * sigma:.0f} %")
    if problem.lens.sigma_k1 > 0:
        notes.append(f"how far the lens bends lines judged by the marks, k1 {pose.k1:+.3f}")
    return Calibration(
        image_size=problem.lens.image_size,
        camera_matrix=problem.matrix(pose.ln_focal),
        distortion=problem.bending(pose.k1),
        R=pose.R,
        t=pose.t,
        rms_px=pose.rms_px,
        covariance=spread,
        sigma_position_m=position,
        sigma_direction_deg=direction,
        method="marks",
        lens=kind,
        court=court.name,
        rim_height_m=court.rim_height_m,
        free_throw_from_board_m=court.free_throw_from_board_m,
        camera=camera or problem.lens.camera,
        notes=tuple(notes),
    )
