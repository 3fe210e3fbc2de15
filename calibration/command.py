"""`rimward calibrate` without a window: marked points, the printed target, a lens, or one standing player."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from .bump import features_of
from .courts import COURTS, Court, court_named
from .errors import CalibrationError
from .lens import Lens, rescaled_lens, typed_lens, typical_lens
from .marks import calibrate_marks
from .points import read_points
from .record import Calibration
from .standing import calibrate_standing
from .storage import kept_lens, lens_file, load_lens, save_calibration, save_lens, write_new
from .target import DEFAULT_SIDE_M, SHEETS, average_pages, calibrate_target, check_mirror, find_pages
from .typed import metres
from .words import describe

ImageArray = NDArray[np.uint8]
Say = Callable[[str], None]
Read = Callable[[Path], ImageArray]

WAYS = {
    "points": "--points FILE",
    "target": "--target IMAGE...",
    "standing": "--standing IMAGE",
    "lens": "--lens IMAGE...",
    "print_target": "--print-target FILE",
}
"""Option that starts each way without a window, and how it is typed."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `rimward calibrate`."""
    marks = parser.add_argument_group("from marked points")
    marks.add_argument("--image", type=Path, metavar="FILE", help="the picture that was marked, or the clip")
    marks.add_argument("--points", type=Path, metavar="FILE", help="marks and their pixels (JSON)")
    target = parser.add_argument_group("from the printed target")
    target.add_argument("--print-target", type=Path, metavar="FILE", help="write the pages to print (PDF) and stop")
    target.add_argument("--page", choices=tuple(SHEETS), default="a4", help="paper of the pages (default a4)")
    target.add_argument("--target", type=Path, nargs="+", metavar="IMAGE", help="pictures of the standing pages")
    target.add_argument("--distance-m", type=float, metavar="X", help="along the floor from below the ring to page 1")
    target.add_argument(
        "--side-m", type=float, default=DEFAULT_SIDE_M, metavar="X", help="from page 1 to page 2 (default %(default)s)"
    )
    target.add_argument(
        "--page-2", choices=("toward", "away"), default="toward", help="page 2 stands toward the hoop or away from it"
    )
    standing = parser.add_argument_group("from one standing player (coarse)")
    standing.add_argument("--standing", type=Path, metavar="IMAGE", help="picture of the player standing upright")
    standing.add_argument("--head-px", type=_pair, metavar="X,Y", help="top of the head")
    standing.add_argument("--feet-px", type=_pair, metavar="X,Y", help="on the floor, between the heels")
    standing.add_argument("--stature-m", type=metres, metavar="X", help="height without shoes")
    standing.add_argument(
        "--camera-side", choices=("left", "right", "front", "behind"), help="where the camera stands, facing the hoop"
    )
    lens = parser.add_argument_group("the lens")
    lens.add_argument(
        "--lens", type=Path, nargs="+", metavar="IMAGE", help="pictures of the moved board: measure the lens"
    )
    lens.add_argument("--chessboard", type=_grid, metavar="9x6", help="inner corners of a plain chessboard instead")
    lens.add_argument("--use-lens", type=Path, metavar="FILE", help="a lens that was measured before")
    lens.add_argument("--hfov-deg", type=float, metavar="X", help="horizontal view of the lens, when it is known")
    common = parser.add_argument_group("in every way")
    common.add_argument("--out", type=Path, metavar="FILE", help="where to write the result (TOML)")
    common.add_argument("--overwrite", action="store_true", help="replace that file if it is there")
    common.add_argument("--camera", default="", metavar="NAME", help="which camera this is, by a name")
    common.add_argument("--device", type=int, metavar="N", help="which camera this is, 0 is the first")
    common.add_argument(
        "--court", choices=tuple(COURTS), help="court of the target or the standing player (default us)"
    )
    common.add_argument("--rim-height-m", type=float, metavar="X", help="height of a lowered rim")


def camera_name(args: argparse.Namespace) -> str:
    """The camera that the options name; empty when they name none."""
    return args.camera or ("" if args.device is None else f"camera {args.device}")


def run(
    args: argparse.Namespace,
    say: Say = lambda line: print(line, file=sys.stderr),
    lenses: Path | None = None,
    read: Read | None = None,
) -> int:
    """Do what the options ask and return the exit status 0; `say` takes lines for people.

    `lenses` is the folder in which measured lenses are kept by camera and resolution. `read` reads the pictures that
    are named, where more than JPEG and PNG is understood. Raises CalibrationError, one line, when an input is bad or
    the result must not be trusted; nothing is written then.
    """
    read = read or read_image
    asked = [name for name in WAYS if getattr(args, name) is not None]
    if len(asked) != 1:
        options = ", ".join(WAYS.values())
        if not asked:
            raise CalibrationError(f"a window would open, and there is no screen here: give one of {options}")
        raise CalibrationError(f"give one of {options}, found {' and '.join(WAYS[name] for name in asked)}")
    if args.print_target is not None:
        # the drawing library is slow to import and only printing needs it
        from .print_target import target_pdf

        write_new(args.print_target, target_pdf(args.page), overwrite=args.overwrite)
        say(f"{args.print_target}: print it at 100 %, check the ruler, stand the pages as they say.")
        return 0
    if args.out is None and (args.lens is None or lenses is None):
        raise CalibrationError("--out FILE is needed: where to write the result")
    if args.out is not None and args.out.exists() and not args.overwrite:
        raise CalibrationError(
            f"{args.out}: this file exists and is not overwritten: choose another name or --overwrite"
        )
    if args.lens is not None:
        _measure_lens(args, say, lenses, read)
        return 0
    ways = {"points": _from_points, "target": _from_target, "standing": _from_standing}
    calibration = ways[asked[0]](args, _Lenses(lenses, say), read)
    picture = {"points": args.image, "target": (args.target or [None])[0], "standing": args.standing}[asked[0]]
    save_calibration(args.out, calibration, features_of(read(picture)), overwrite=args.overwrite)
    for line in describe(calibration):
        say(line)
    say(f"Written to {args.out}.")
    return 0


def read_image(path: Path) -> ImageArray:
    """The picture (height, width, 3), BGR. Raises CalibrationError when it cannot be read."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise CalibrationError(f"{path}: the picture cannot be read: {error.strerror}") from None
    image = cv2.imdecode(np.frombuffer(content, dtype=np.uint8), cv2.IMREAD_COLOR) if content else None
    if image is None:
        raise CalibrationError(f"{path}: this is no picture that can be read (JPEG and PNG can)")
    return np.asarray(image, dtype=np.uint8)


def _pair(text: str) -> tuple[float, float]:
    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"must be two numbers like 640,120, got {text!r}") from None
    return x, y


def _grid(text: str) -> tuple[int, int]:
    try:
        columns, rows = (int(part) for part in text.lower().split("x"))
    except ValueError:
        raise argparse.ArgumentTypeError(f"must be columns x rows of inner corners like 9x6, got {text!r}") from None
    if min(columns, rows) < 3:
        raise argparse.ArgumentTypeError(f"needs three inner corners each way or more, got {text!r}")
    return columns, rows


def _size(image: ImageArray) -> tuple[int, int]:
    return image.shape[1], image.shape[0]


def _need(args: argparse.Namespace, way: str, *names: str) -> None:
    missing = [f"--{name.replace('_', '-')}" for name in names if getattr(args, name) is None]
    if missing:
        raise CalibrationError(f"{way} also needs {' and '.join(missing)}")


@dataclass(frozen=True, slots=True)
class _Lenses:
    """Lenses that were measured before."""

    folder: Path | None
    say: Say

    def of(self, camera: str, size: tuple[int, int]) -> Lens | None:
        """The one of this camera, said; None where there is none or nobody said which camera it is."""
        kept = kept_lens(self.folder, camera, size) if self.folder is not None and camera else None
        if kept is None:
            return None
        self.say(lens_words(*kept))
        return kept[1]


def lens_words(path: Path, lens: Lens) -> str:
    """What is said of a lens that was found by itself."""
    return f"Lens of {lens.camera} as it was measured: {path}."


def _lens(args: argparse.Namespace, size: tuple[int, int]) -> Lens | None:
    """The lens that the options give for pictures of this size, or None."""
    if args.use_lens is not None and args.hfov_deg is not None:
        raise CalibrationError("give --use-lens or --hfov-deg, not both")
    if args.use_lens is not None:
        try:
            return rescaled_lens(load_lens(args.use_lens), size)
        except CalibrationError as error:
            text = str(error)
            raise CalibrationError(
                text if text.startswith(str(args.use_lens)) else f"{args.use_lens}: {text}"
            ) from None
    return typed_lens(size, args.hfov_deg) if args.hfov_deg is not None else None


def _court(args: argparse.Namespace) -> Court:
    return court_named(args.court or "us", args.rim_height_m)


def _from_points(args: argparse.Namespace, lenses: _Lenses, read: Read) -> Calibration:
    _need(args, "--points", "image")
    points = read_points(args.points)
    if args.court is not None or args.rim_height_m is not None:
        raise CalibrationError(f"{args.points}: court and rim height of marked points belong into the points file")
    size = _size(read(args.image))
    if size != points.image_size:
        raise CalibrationError(
            f"{args.image} is {size[0]} x {size[1]}, but {args.points} says {points.image_size[0]} x "
            f"{points.image_size[1]}: mark a picture of the stream itself, not a photo of another resolution"
        )
    lens = _lens(args, size)
    if lens is not None and points.lens.kind != "assumed":
        raise CalibrationError(f"{args.points}: the lens is given there and by option: give it once")
    camera = camera_name(args) or points.camera
    if lens is None and points.lens.kind == "assumed":
        lens = lenses.of(camera, size)
    try:
        return calibrate_marks(points.marks, lens or points.lens, points.court, camera)
    except CalibrationError as error:
        raise CalibrationError(f"{args.points}: {error}") from None


def _from_target(args: argparse.Namespace, lenses: _Lenses, read: Read) -> Calibration:
    _need(args, "--target", "distance_m")
    images = [read(path) for path in args.target]
    sizes = {_size(image): path for image, path in zip(images, args.target, strict=True)}
    if len(sizes) > 1:
        listed = " and ".join(f"{path} {w} x {h}" for (w, h), path in sizes.items())
        raise CalibrationError(f"all pictures must have one size, found {listed}")
    size, camera = _size(images[0]), camera_name(args)
    pages = average_pages([find_pages(image) for image in images])
    check_mirror(pages, images[0])
    return calibrate_target(
        pages,
        _lens(args, size) or lenses.of(camera, size) or typical_lens(size),
        args.distance_m,
        args.side_m,
        args.page_2 == "toward",
        SHEETS[args.page],
        _court(args),
        camera,
    )


def _from_standing(args: argparse.Namespace, lenses: _Lenses, read: Read) -> Calibration:
    _need(args, "--standing", "head_px", "feet_px", "stature_m", "camera_side")
    size, camera = _size(read(args.standing)), camera_name(args)
    for name in ("head_px", "feet_px"):
        x, y = getattr(args, name)
        if not (0 <= x <= size[0] and 0 <= y <= size[1]):
            raise CalibrationError(
                f"--{name.replace('_', '-')} {x:g},{y:g} lies outside the {size[0]} x {size[1]} picture {args.standing}"
            )
    return calibrate_standing(
        args.head_px,
        args.feet_px,
        args.stature_m,
        args.camera_side,
        _lens(args, size) or lenses.of(camera, size) or typical_lens(size),
        args.distance_m,
        _court(args),
        camera,
    )


def _measure_lens(args: argparse.Namespace, say: Say, lenses: Path | None, read: Read) -> None:
    from .lens_pictures import calibrate_lens

    camera = camera_name(args)
    if args.out is None and not camera:
        raise CalibrationError(
            "a lens is kept for its camera: say which with --device N or --camera NAME, or give --out"
        )
    lens = calibrate_lens([read(path) for path in args.lens], args.chessboard, camera)
    width, height = lens.image_size
    out, overwrite = args.out, args.overwrite
    if out is None:
        assert lenses is not None
        out, overwrite = lens_file(lenses, camera, lens.image_size), True
        try:
            lenses.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise CalibrationError(f"{lenses}: the folder for lenses cannot be made: {error.strerror}") from None
        if out.exists():
            say(f"The lens measured before for {camera} at {width} x {height} is replaced.")
    save_lens(out, lens, overwrite=overwrite)
    say(
        f"Lens at {width} x {height}: focal length {lens.camera_matrix[0, 0]:.0f} px to {100 * lens.sigma_focal:.1f} %."
    )
    say(f"The board's corners are {lens.rms_px:.2f} px from where the lens puts them.")
    say(f"Written to {out}.")
    if args.out is None:
        say(f"It is used by itself whenever {camera} is calibrated.")
