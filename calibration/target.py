"""The printed target: four pages that stand upright on the floor at the shooting spot.

Why upright: a page that lies flat is seen so slantwise from a low camera that its squares run together. One marker a
page, rendered flat with blur and noise at 1280 x 720, is found in 97 % at 3 m but in 13 % at 4.5 m (A4; A3: 100 and
50 %); upright it is found at both. Why four: one small upright page says nothing sure about direction or tilt; pages a
step apart span the floor, and any three of them do. Each carries its number, so the camera finds them by itself.

Every page stands on its fold with the marker facing the camera, all on the far side of the shooting spot:

* page 1 on the spot;
* page 2 one side (1.5 m) from it on the line to the hoop, so that who looks over 1 and 2 sees the hoop behind; when
  the camera is between hoop and shooter, the same line the other way, away from the hoop;
* page 3 one side from 1 and from 2, away from the camera;
* page 4 two thirds of a side (1.0 m) from 1 and from 2, in front of page 3.

No two lines between pages are parallel, so that from nowhere two pages hide two others, and a tape measure is enough:
there is no right angle to find.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from .courts import COURTS, Court
from .errors import CalibrationError
from .lens import NARROWEST_HFOV_DEG, WIDEST_HFOV_DEG, Lens, hfov_of
from .marks import ANY_LENS, LENS_CHANGE, LENS_COST, wrong_lens
from .record import PARAMETERS, Calibration, LensKind
from .solver import SOLVED, STRAIGHT_K1, PlacedMark, Pose, Problem, mixed_k1, one_sigma, solutions

FloatArray = NDArray[np.float64]
ImageArray = NDArray[np.uint8]

PAGES: Final = (1, 2, 3, 4)
DEFAULT_SIDE_M: Final = 1.5
RULER_MM: Final = 100.0
"""Printed on every page, to check that the printer did not shrink it."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """A paper format and what is printed on it, in millimetres."""

    name: str
    width_mm: float
    height_mm: float
    marker_mm: float
    """Outer edge of the black square."""
    fold_mm: float
    """Height of the fold above the lower edge: the part below folds back and is the foot."""
    gap_mm: float
    """From the fold up to the black square."""


# low pages hide less of those behind them, so even on A3 the marker is not as large as it could be
SHEETS: Final = MappingProxyType(
    {
        "a4": Sheet("a4", 210.0, 297.0, 170.0, 85.0, 20.0),
        "letter": Sheet("letter", 215.9, 279.4, 170.0, 67.0, 20.0),
        "a3": Sheet("a3", 297.0, 420.0, 180.0, 200.0, 20.0),
    }
)

_DICTIONARY: Final = cv2.aruco.DICT_4X4_50
CELLS: Final = 6
"""Squares along a marker's edge, its black border included."""

# Beliefs about a target that somebody put down with a tape measure (from memory; wide enough to be safe).
_LEAN_SIGMA: Final = np.radians(5.0)
_TURN_SIGMA: Final = np.radians(40.0)
_PLACE_SIGMA_M: Final = 0.006
_PRINT_SIGMA: Final = 0.01
_CORNER_SIGMA: Final = 0.15 / 1280
"""Of a marker's corner, as a share of the picture's width."""

SHORTEST_DISTANCE_M: Final = 1.0
LONGEST_DISTANCE_M: Final = 12.0
_SCALE_LIMIT: Final = 0.025
_EVALUATIONS: Final = 600
"""Of the fit, about twenty-five steps: good pages need ten, and pages that stand wrongly would wander for seconds."""
_RMS_LIMIT: Final = 0.6 / 1280
_FOCAL, _K1 = PARAMETERS - 1, PARAMETERS
"""Places of what is solved of the lens."""


def marker_cells(page: int) -> NDArray[np.bool_]:
    """(6, 6), True where the marker of this page is black; row 0 is the top."""
    dictionary = cv2.aruco.getPredefinedDictionary(_DICTIONARY)
    image = cv2.aruco.generateImageMarker(dictionary, page, CELLS, borderBits=1)
    return np.asarray(image < 128)


def grey_of(image: ImageArray) -> ImageArray:
    """The picture in grey, from BGR or as it is."""
    return image if image.ndim == 2 else np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def find_pages(image: ImageArray) -> dict[int, FloatArray]:
    """Corners (4, 2) of every page's marker in the picture (BGR or grey), by page number.

    Order of corners: top left, top right, bottom right, bottom left of the marker as printed. Pixels are continuous.
    """
    grey = grey_of(image)
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax = 5, 45
    parameters.adaptiveThreshWinSizeStep = 8
    parameters.minMarkerPerimeterRate = 0.02
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(_DICTIONARY), parameters)
    corners, ids, _ = detector.detectMarkers(grey)
    found: dict[int, FloatArray] = {}
    if ids is None:
        return found
    for number, quad in zip((int(i) for i in np.ravel(ids)), corners, strict=True):
        if number in PAGES and number not in found:
            # OpenCV counts pixels from the middle of the first one
            found[number] = sharpened(grey, np.asarray(quad, dtype=np.float64).reshape(4, 2)) + 0.5
    return found


def check_mirror(pages: Mapping[int, FloatArray], image: ImageArray) -> None:
    """Raise CalibrationError when none of the `pages` was found because the picture (BGR or grey) is mirrored."""
    if not pages and len(find_pages(np.ascontiguousarray(image[:, ::-1]))) >= 2:
        raise CalibrationError("the picture is mirrored: switch the camera's mirror off")


def sharpened(grey: ImageArray, corners: FloatArray) -> FloatArray:
    """Corners (4, 2) of a black square on white as the crossings of its edges, each a line through many crossings.

    Blur pulls a corner inwards but leaves the middle of a straight edge where it is, so this has no bias in the size of
    the square, which is what the distance hangs on. Pixels as OpenCV's (0 is the middle of the first one).
    """
    once = _edge_crossings(grey, corners)
    # again around the first answer: a window that is off the edge cuts its blur unevenly
    refined = _edge_crossings(grey, once)
    # an edge that ran away has met something else than the marker
    return refined if float(np.abs(refined - corners).max()) < 4.0 else corners


def _edge_crossings(grey: ImageArray, corners: FloatArray) -> FloatArray:
    """One round of `sharpened`; the corners themselves where an edge has no contrast."""
    centre = corners.mean(axis=0)
    lines = []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        length = float(np.linalg.norm(b - a))
        along = (b - a) / length
        outward = np.array([along[1], -along[0]])
        outward *= np.sign(outward @ ((a + b) / 2 - centre)) or 1.0
        # white paper on one side, the marker's black border (a sixth of the edge) on the other
        reach = min(4.0, 0.7 * length / CELLS)
        steps = np.linspace(-reach, reach, 33)
        places = np.linspace(0.12, 0.88, max(8, int(length)))
        points = a + places[:, None] * (b - a)
        samples = points[:, None, :] + steps[None, :, None] * outward
        found: Any = cv2.remap(
            grey, samples[..., 0].astype(np.float32), samples[..., 1].astype(np.float32), cv2.INTER_LINEAR
        )
        rise = np.clip(np.diff(found.astype(np.float64), axis=1), 0, None)
        weight = rise.sum(axis=1)
        if weight.max() <= 0:
            return corners
        middle = (rise @ ((steps[1:] + steps[:-1]) / 2)) / np.maximum(weight, 1e-9)
        clear = weight > 0.5 * np.median(weight)
        slope, offset = np.polyfit(places[clear] * length, middle[clear], 1)
        lines.append((a + offset * outward, along + slope * outward))
    crossings = []
    for (p, u), (q, v) in zip([lines[-1], *lines[:-1]], lines, strict=True):
        reach_u = np.linalg.solve(np.stack([u, -v], axis=1), q - p)[0]
        crossings.append(p + reach_u * u)
    return np.stack(crossings)


def average_pages(pictures: Sequence[Mapping[int, FloatArray]]) -> dict[int, FloatArray]:
    """The median corners over several pictures of a camera that stood still, for pages seen in half of them or more."""
    averaged = {}
    for page in PAGES:
        seen = [corners[page] for corners in pictures if page in corners]
        if seen and 2 * len(seen) >= len(pictures):
            averaged[page] = np.median(np.stack(seen), axis=0)
    return averaged


def page_places(distance_m: float, side_m: float, to_the_right: bool, toward_hoop: bool) -> dict[int, FloatArray]:
    """Where the middle of each page's fold stands in the hoop frame, (3,) metres.

    `to_the_right`: pages 3 and 4 stand to the right of somebody who faces the hoop; `toward_hoop`: page 2 is nearer to
    the hoop than page 1.
    """
    right, ahead = (1.0 if to_the_right else -1.0), (1.0 if toward_hoop else -1.0)
    half = ahead * side_m / 2
    beside = {3: np.sqrt(3) / 2 * side_m, 4: np.sqrt(4 / 9 - 1 / 4) * side_m}
    places = {1: (0.0, 0.0), 2: (0.0, 2 * half)} | {page: (right * x, half) for page, x in beside.items()}
    return {page: np.array([x, y - distance_m, 0.0]) for page, (x, y) in places.items()}


def page_corners(
    places: FloatArray, facing: FloatArray, turn: FloatArray, lean: FloatArray, sheet: Sheet, size: float = 1.0
) -> FloatArray:
    """Corners (n, 4, 3) of the markers on n pages that stand at `places` (n, 3) and face the level `facing` (n, 2).

    `turn` (n,) (rad, about the vertical) turns each away from that, `lean` (n,) (rad) tips its top back, `size` is the
    scale of the print. Order of corners as in find_pages.
    """
    c, s, nothing = np.cos(turn), np.sin(turn), np.zeros(len(places))
    front = np.stack([c * facing[:, 0] - s * facing[:, 1], s * facing[:, 0] + c * facing[:, 1], nothing], axis=1)
    # right as the camera sees it: the page faces the camera, so its left edge is to the camera's left
    right = np.stack([-front[:, 1], front[:, 0], nothing], axis=1)
    up = np.cos(lean)[:, None] * np.array([0.0, 0.0, 1.0]) - np.sin(lean)[:, None] * front
    low, edge = size * sheet.gap_mm / 1000, size * sheet.marker_mm / 1000
    bottom, top, aside = places + low * up, places + (low + edge) * up, edge / 2 * right
    return np.stack([top - aside, top + aside, bottom + aside, bottom - aside], axis=1)


def calibrate_target(
    pages: Mapping[int, FloatArray],
    lens: Lens,
    distance_m: float,
    side_m: float = DEFAULT_SIDE_M,
    toward_hoop: bool = True,
    sheet: Sheet = SHEETS["a4"],
    court: Court = COURTS["us"],
    camera: str = "",
) -> Calibration:
    """The camera that sees these pages' corners (4, 2) px; `distance_m` runs along the floor from the ring to page 1.

    Raises CalibrationError when fewer than three pages were found or they do not stand as typed.
    """
    if not SHORTEST_DISTANCE_M <= distance_m <= LONGEST_DISTANCE_M:
        raise CalibrationError(
            "the distance from the ring to page 1 must lie between "
            f"{SHORTEST_DISTANCE_M:g} and {LONGEST_DISTANCE_M:g} m, got {distance_m:g}"
        )
    if not 0.5 <= side_m <= 4.0:
        raise CalibrationError(f"the distance from page 1 to page 2 must lie between 0.5 and 4 m, got {side_m:g}")
    if len(pages) < 3:
        names = ", ".join(map(str, sorted(pages))) or "none"
        raise CalibrationError(
            f"at least three of the four pages must be found, found {names}: turn them to the camera, into even light, "
            "nothing in front of them"
        )
    layouts = [page_places(distance_m, side_m, right, toward_hoop) for right in (True, False)]
    # a lens that may bend lines could hide a page that stands wrongly, so that is judged without it
    straight = replace(lens, sigma_k1=0.0)
    fit = _best(pages, straight, layouts, sheet)
    if fit is not None and not fit.in_place and len(pages) == len(PAGES):
        # one page half hidden or knocked over must not cost the calibration: the other three are enough
        fewer = [{page: quad for page, quad in pages.items() if page != out} for out in pages]
        fits = [_best(rest, straight, layouts, sheet) for rest in fewer]
        agreeing = [rest for rest in fits if rest is not None and rest.in_place]
        fit = min(agreeing, key=lambda rest: rest.pose.cost, default=fit)
    if fit is None:
        raise CalibrationError("no camera above the floor sees the pages like this: check their numbers and places")
    _check_lens(fit, lens)
    return _averaged(fit, lens.sigma_k1).record(court, camera)


def _best(
    found: Mapping[int, FloatArray], lens: Lens, layouts: Sequence[Mapping[int, FloatArray]], sheet: Sheet
) -> _Fit | None:
    """The fit for whichever layout suits the pages better, or None."""
    order = tuple(sorted(found))
    seen = np.stack([found[page] for page in order])
    starts = []
    for places in layouts:
        pages = _Pages(order, seen, np.stack([places[page] for page in order]), sheet)
        start = _start(pages, lens)
        if start is not None:
            starts.append((start.cost, pages, start))
    if not starts:
        return None
    _, pages, start = min(starts, key=lambda entry: entry[0])
    return _fit(pages, start, lens)


def _check_lens(fit: _Fit, lens: Lens) -> None:
    """Raise CalibrationError when a lens that was typed or measured is not the one that sees the pages so."""
    limit = LENS_CHANGE.get(lens.kind)
    if limit is None:
        return
    taken, free = (_fit(fit.pages, fit.pose, one) for one in (lens, replace(lens, sigma_focal=ANY_LENS)))
    if taken is None or free is None or not free.in_place or abs(free.pose.ln_focal) <= limit:
        return
    if taken.pose.cost - free.pose.cost > LENS_COST:
        raise CalibrationError(wrong_lens(lens, free.pose.ln_focal))


def _averaged(fit: _Fit, sigma_k1: float) -> _Fit:
    """The fit with what is not known of the lens's bending averaged out, over the two beliefs of solver.averaged."""
    lens, pages = fit.lens, fit.pages
    if sigma_k1 == 0 or not fit.in_place:
        return fit
    wide, straight = (_fit(pages, fit.pose, replace(lens, sigma_k1=sigma)) for sigma in (sigma_k1, STRAIGHT_K1))
    if wide is None or straight is None:
        return fit
    surprise, spread = [], []
    for one in (wide, straight):
        volume = float(np.linalg.slogdet(one.information)[1]) + 2 * float(np.log(one.lens.sigma_k1))
        surprise.append(one.pose.cost + volume)
        spread.append(float(one.full_covariance[_K1, _K1]))
    k1, variance = mixed_k1(surprise, [wide.pose.k1, straight.pose.k1], spread)
    bent = lens.distortion.copy()
    bent[0] += k1
    settled = _fit(pages, fit.pose, replace(lens, distortion=bent))
    if settled is None:
        return fit
    by_k1 = wide.full_covariance[:PARAMETERS, _K1] / wide.full_covariance[_K1, _K1]
    notes = (f"how far the lens bends lines judged by the pages, k1 {k1:+.3f}",)
    return replace(settled, from_k1=variance * np.outer(by_k1, by_k1), notes=notes)


@dataclass(frozen=True, slots=True, eq=False)
class _Pages:
    """The pages that were found."""

    order: tuple[int, ...]
    """Their numbers."""
    seen: FloatArray
    """(pages, 4, 2), pixels of the markers' corners."""
    feet: FloatArray
    """(pages, 3), where they should stand."""
    sheet: Sheet


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """A camera with the way in which each page stands."""

    lens: Lens
    pages: _Pages
    pose: Pose
    jacobian: FloatArray
    """Of all residuals, in their own standard deviations: the camera's parameters, k1, then those of the pages."""
    scale: float
    """Size of the markers against what the places of the pages ask for."""
    from_k1: FloatArray = field(default_factory=lambda: np.zeros((PARAMETERS, PARAMETERS)))
    """What k1 adds to the covariance where it was averaged out."""
    notes: tuple[str, ...] = ()

    @property
    def distances_px(self) -> FloatArray:
        """(pages, 4): corners seen against corners drawn."""
        return np.asarray(np.linalg.norm(self.pose.residuals_px, axis=1).reshape(-1, 4), dtype=np.float64)

    @property
    def rms_px(self) -> float:
        """Root mean square distance of the corners."""
        return self.pose.rms_px

    @property
    def in_place(self) -> bool:
        """True when the pages stand as typed, as far as pixels can tell."""
        return self.rms_px <= _RMS_LIMIT * max(self.lens.image_size)

    def record(self, court: Court, camera: str) -> Calibration:
        """The calibration, or CalibrationError when the pages do not stand as typed."""
        width, rms = self.lens.image_size[0], self.rms_px
        # first what a wrong print or a wrong square does, because it also spoils the residuals
        if abs(self.scale - 1) > _SCALE_LIMIT:
            raise CalibrationError(
                f"the markers are {100 * (self.scale - 1):+.0f} % off the size that their places ask for: measure the "
                f"ruler on the page ({RULER_MM:g} mm) and the distances between the pages"
            )
        if rms > _RMS_LIMIT * width:
            worst = self.pages.order[int(self.distances_px.max(axis=1).argmax())]
            raise CalibrationError(
                f"the pages must fit their places within {_RMS_LIMIT * width:.1f} px, but are off by {rms:.1f} px: "
                f"look at page {worst} first, and measure the distances between the pages again"
            )
        matrix = self.lens.camera_matrix.copy()
        matrix[[0, 1], [0, 1]] *= np.exp(self.pose.ln_focal)
        hfov = hfov_of(matrix[0, 0], width)
        if not NARROWEST_HFOV_DEG <= hfov <= WIDEST_HFOV_DEG:
            raise CalibrationError(
                f"the pages ask for a lens that sees {hfov:.0f} degrees across, and webcams see {NARROWEST_HFOV_DEG:g} "
                f"to {WIDEST_HFOV_DEG:g}: check the typed sizes"
            )
        covariance = self.covariance()
        kind: LensKind = self.lens.kind
        notes = [f"printed target, pages {', '.join(map(str, self.pages.order))} found"]
        sigma = float(np.sqrt(covariance[6, 6]))
        if kind == "assumed":
            kind = "estimated" if sigma < 0.05 else "assumed"
            notes.append(f"focal length {kind}, to {100 * sigma:.1f} %")
        notes += self.notes
        return Calibration(
            image_size=self.lens.image_size,
            camera_matrix=matrix,
            distortion=self.lens.distortion,
            R=self.pose.R,
            t=self.pose.t,
            rms_px=rms,
            covariance=covariance,
            sigma_position_m=one_sigma(covariance[3:6, 3:6]),
            sigma_direction_deg=float(np.degrees(one_sigma(covariance[:3, :3]))),
            method="target",
            lens=kind,
            court=court.name,
            rim_height_m=court.rim_height_m,
            free_throw_from_board_m=court.free_throw_from_board_m,
            camera=camera or self.lens.camera,
            notes=tuple(notes),
        )

    @property
    def information(self) -> FloatArray:
        """Of all parameters; what is idle has one of its own."""
        return np.asarray(self.jacobian.T @ self.jacobian, dtype=np.float64)

    @property
    def full_covariance(self) -> FloatArray:
        """Of all parameters, zeros for what is known of the lens."""
        information = self.information
        known = [place for place, sigma in ((_FOCAL, self.lens.sigma_focal), (_K1, self.lens.sigma_k1)) if sigma == 0]
        free = np.setdiff1d(np.arange(len(information)), known)
        full = np.zeros_like(information)
        full[np.ix_(free, free)] = np.linalg.inv(information[np.ix_(free, free)])
        return np.asarray((full + full.T) / 2, dtype=np.float64)

    def covariance(self) -> FloatArray:
        """(7, 7), with the ways in which the pages may stand averaged out."""
        return self.full_covariance[:PARAMETERS, :PARAMETERS] + self.from_k1


def _fit(pages: _Pages, start: Pose, lens: Lens) -> _Fit | None:
    """The best camera above the floor near `start`, or None when there is none."""
    R0, centre0, ln_focal0 = start.R, start.centre, start.ln_focal
    count = len(pages.order)
    toward = centre0[:2] - pages.feet[:, :2]
    facing = toward / np.linalg.norm(toward, axis=1, keepdims=True)
    sigma_px = _CORNER_SIGMA * max(lens.image_size)

    def corners(ways: FloatArray, size: float) -> FloatArray:
        """`ways` (pages, 4): turn, lean, and how far the foot is off its place."""
        moved = pages.feet.copy()
        moved[:, :2] += ways[:, 2:]
        return page_corners(moved, facing, ways[:, 0], ways[:, 1], pages.sheet, size)

    def camera(p: FloatArray) -> tuple[FloatArray, FloatArray, float, float]:
        ln_focal = ln_focal0 + p[6] if lens.sigma_focal > 0 else 0.0
        k1 = start.k1 + p[7] if lens.sigma_k1 > 0 else 0.0
        return Rotation.from_rotvec(p[:3]).as_matrix() @ R0, centre0 + p[3:6], ln_focal, k1

    def drawn(p: FloatArray) -> FloatArray:
        R, centre, ln_focal, k1 = camera(p)
        k, distortion = lens.camera_matrix.copy(), lens.distortion.copy()
        k[[0, 1], [0, 1]] *= np.exp(ln_focal)
        distortion[0] += k1
        world = corners(p[SOLVED:-1].reshape(count, 4), float(np.exp(p[-1]))).reshape(-1, 3)
        found: Any = cv2.projectPoints((world - centre) @ R.T, np.zeros(3), np.zeros(3), k, distortion)[0]
        return np.asarray(found, dtype=np.float64).reshape(count, 4, 2)

    beliefs = np.append(np.tile([_TURN_SIGMA, _LEAN_SIGMA, _PLACE_SIGMA_M, _PLACE_SIGMA_M], count), _PRINT_SIGMA)

    def residuals(p: FloatArray) -> FloatArray:
        # what is known of the lens has no say; its terms then only keep an idle parameter at zero
        focal = (ln_focal0 + p[6]) / lens.sigma_focal if lens.sigma_focal > 0 else p[6]
        bending = (start.k1 + p[7]) / lens.sigma_k1 if lens.sigma_k1 > 0 else p[7]
        return np.concatenate([((drawn(p) - pages.seen) / sigma_px).ravel(), p[SOLVED:] / beliefs, [focal, bending]])

    solved = least_squares(
        residuals, np.zeros(SOLVED + 4 * count + 1), method="lm", x_scale="jac", max_nfev=_EVALUATIONS
    )
    R, centre, ln_focal, k1 = camera(solved.x)
    if centre[2] <= 0:
        return None
    residuals_px = (pages.seen - drawn(solved.x)).reshape(-1, 2)
    pose = Pose(R, -R @ centre, ln_focal, k1, float(2 * solved.cost), residuals_px)
    return _Fit(lens, pages, pose, solved.jac, float(np.exp(solved.x[-1])))


def _start(pages: _Pages, lens: Lens) -> Pose | None:
    """A first camera from the middles of the markers' upper and lower edges, as if every page stood upright."""
    seen, sheet = pages.seen, pages.sheet
    middles = (seen[:, 2] + seen[:, 3]) / 2
    tops = (seen[:, 0] + seen[:, 1]) / 2
    marks = []
    for i, foot in enumerate(pages.feet):
        for name, px, height in (("low", middles[i], sheet.gap_mm), ("high", tops[i], sheet.gap_mm + sheet.marker_mm)):
            place = (float(foot[0]), float(foot[1]), height / 1000)
            marks.append(PlacedMark(f"{name} {i}", place, (float(px[0]), float(px[1]))))
    # bending is small against the pages' size, and the fit that follows looks for it
    problem = Problem.of(marks, replace(lens, sigma_k1=0.0))
    return next((pose for pose in solutions(problem) if pose.centre[2] > 0), None)
