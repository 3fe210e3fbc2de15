"""The printed pages as an exact-scale PDF: four targets for the floor and a board for calibrating a lens."""

from __future__ import annotations

import io
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from .errors import CalibrationError
from .target import CELLS, DEFAULT_SIDE_M, PAGES, RULER_MM, SHEETS, Sheet, marker_cells, page_places

BOARD_SQUARES: Final = (7, 5)
SQUARE_MM: Final = 36.0
MARKER_MM: Final = 27.0
_BOARD_CELLS_PER_SQUARE: Final = 8
"""Squares and their markers (six cells of 4.5 mm) share one grid, so the board is drawn from whole cells."""
_FIRST_BOARD_ID: Final = 10
"""After the numbers of the pages, so that a board is never taken for one."""

_MM_PER_INCH: Final = 25.4
_POINTS_PER_MM: Final = 72 / _MM_PER_INCH
_OVERLAP_MM: Final = 0.03
"""Neighbouring black cells overlap by this much, or viewers draw hair lines between them."""


def charuco_board() -> Any:
    """The board for calibrating a lens (OpenCV's CharucoBoard), sizes in metres as printed at full scale."""
    count = BOARD_SQUARES[0] * BOARD_SQUARES[1] // 2
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    ids = np.arange(_FIRST_BOARD_ID, _FIRST_BOARD_ID + count)
    return cv2.aruco.CharucoBoard(BOARD_SQUARES, SQUARE_MM / 1000, MARKER_MM / 1000, dictionary, ids)


def board_cells() -> NDArray[np.bool_]:
    """(40, 56), True where the board is black; one cell is 4.5 mm."""
    size = (BOARD_SQUARES[0] * _BOARD_CELLS_PER_SQUARE, BOARD_SQUARES[1] * _BOARD_CELLS_PER_SQUARE)
    return np.asarray(charuco_board().generateImage(size, marginSize=0, borderBits=1) < 128)


def target_pdf(page: str = "a4") -> bytes:
    """The PDF: pages 1 to 4 and the lens board. Raises CalibrationError for an unknown paper format."""
    if page not in SHEETS:
        raise CalibrationError(f"page must be one of {', '.join(SHEETS)}, got {page!r}")
    sheet = SHEETS[page]
    # only printing needs it, and it is slow to import
    from matplotlib.backends.backend_pdf import PdfPages
    from matplotlib.figure import Figure

    def blank(width_mm: float, height_mm: float) -> tuple[Figure, Any]:
        figure = Figure(figsize=(width_mm / _MM_PER_INCH, height_mm / _MM_PER_INCH))
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set_xlim(0, width_mm)
        axes.set_ylim(0, height_mm)
        axes.axis("off")
        return figure, axes

    content = io.BytesIO()
    # no date inside: the same program prints the same file
    with PdfPages(content, metadata={"CreationDate": None, "Title": "Rimward calibration target"}) as pdf:
        for number in PAGES:
            figure, axes = blank(sheet.width_mm, sheet.height_mm)
            _target_page(axes, sheet, number)
            pdf.savefig(figure)
        figure, axes = blank(sheet.height_mm, sheet.width_mm)
        _board_page(axes, sheet.height_mm, sheet.width_mm)
        pdf.savefig(figure)
    return content.getvalue()


def _cells(axes: Any, cells: NDArray[np.bool_], left: float, top: float, cell_mm: float) -> None:
    """Black cells as vector rectangles, one for each run of a row."""
    from matplotlib.patches import Rectangle

    for row, line in enumerate(cells):
        edges = np.flatnonzero(np.diff(np.concatenate([[False], line, [False]]).astype(int)))
        for start, stop in zip(edges[::2], edges[1::2], strict=True):
            below = row + 1 < len(cells) and bool(cells[row + 1, start:stop].any())
            drop = _OVERLAP_MM if below else 0.0
            axes.add_patch(
                Rectangle(
                    (left + start * cell_mm, top - (row + 1) * cell_mm - drop),
                    (stop - start) * cell_mm,
                    cell_mm + drop,
                    facecolor="black",
                    linewidth=0,
                )
            )


def _text(axes: Any, x: float, y: float, words: str, size_mm: float = 3.6, **kwargs: Any) -> None:
    axes.text(x, y, words, fontsize=size_mm * _POINTS_PER_MM, **kwargs)


def _ruler(axes: Any, left: float, y: float) -> None:
    axes.plot([left, left + RULER_MM], [y, y], color="black", linewidth=0.8, solid_capstyle="butt")
    for mm in range(0, int(RULER_MM) + 1, 10):
        tall = 3.0 if mm % 50 == 0 else 1.8
        axes.plot([left + mm, left + mm], [y, y + tall], color="black", linewidth=0.6, solid_capstyle="butt")
    _text(
        axes,
        left,
        y - 4.2,
        f"This line must measure {RULER_MM:.0f} mm. If not: print at 100 %, not 'fit to page'.",
        3.0,
    )


_WHERE: Final = {
    1: "on the shooting spot",
    2: f"{DEFAULT_SIDE_M:.2f} m from page 1 on the line to the hoop:\nlooking over pages 1 and 2 you see the hoop",
    3: f"{DEFAULT_SIDE_M:.2f} m from page 1 and {DEFAULT_SIDE_M:.2f} m from page 2, away from the camera",
    4: f"{DEFAULT_SIDE_M * 2 / 3:.2f} m from page 1 and {DEFAULT_SIDE_M * 2 / 3:.2f} m from page 2, in front of page 3",
}


def _target_page(axes: Any, sheet: Sheet, number: int) -> None:
    left = (sheet.width_mm - sheet.marker_mm) / 2
    top = sheet.fold_mm + sheet.gap_mm + sheet.marker_mm
    _cells(axes, marker_cells(number), left, top, sheet.marker_mm / CELLS)
    # small and low: the paper along the marker's edges must stay white
    _text(axes, left, sheet.fold_mm + 2.5, f"{number}", 5, fontweight="bold")
    _text(axes, left + 8, sheet.fold_mm + 3, "fold back below: the page stands on this line", 2.6, color="0.45")
    axes.plot([0, sheet.width_mm], [sheet.fold_mm, sheet.fold_mm], color="0.5", linewidth=0.6, linestyle=(0, (6, 4)))
    y = sheet.fold_mm - 8
    _text(axes, left, y, f"Page {number} of 4: {_WHERE[number]}", 3.4, va="top", fontweight="bold")
    steps = (
        "Stand every page upright on its fold, marker toward the camera,\n"
        "the foot weighted with a shoe or a stone.\n"
        "Camera between hoop and shooter: page 2 goes the other way,\n"
        "away from the hoop."
    )
    _text(axes, left, y - 14, steps, 3.0, va="top", linespacing=1.3)
    _map(axes, sheet.width_mm - left - 42, 20.0, number)
    _ruler(axes, left, 10.0)


def _map(axes: Any, left: float, low: float, number: int) -> None:
    """The pages from above, the hoop up the sheet, this page filled."""
    scale = 15.0  # mm a metre
    for page, place in page_places(0.0, DEFAULT_SIDE_M, to_the_right=True, toward_hoop=True).items():
        x, y = left + 12 + scale * place[0], low + 4 + scale * place[1]
        axes.plot(
            [x], [y], marker="s", markersize=9, color="black", markerfacecolor="black" if page == number else "white"
        )
        _text(axes, x, y, str(page), 2.6, ha="center", va="center", color="white" if page == number else "black")
    axes.annotate(
        "", (left + 12, low + 40), (left + 12, low + 30), arrowprops={"arrowstyle": "-|>", "color": "black", "lw": 1.2}
    )
    _text(axes, left + 12, low + 41, "hoop", 3.0, ha="center")
    _text(axes, left - 3, low + 14, "camera", 3.0, ha="center", rotation=90, va="center")


def _board_page(axes: Any, width_mm: float, height_mm: float) -> None:
    cells = board_cells()
    cell = SQUARE_MM / _BOARD_CELLS_PER_SQUARE
    wide, high = cells.shape[1] * cell, cells.shape[0] * cell
    left, top = (width_mm - wide) / 2, height_mm - (height_mm - high) / 2 + 6
    _cells(axes, cells, left, top, cell)
    words = (
        "Lens board. Glue it flat on a stiff board and take 10 to 20 pictures at the resolution used for practice:\n"
        "near and far, tilted every way, out to the corners of the picture."
    )
    _text(axes, left + RULER_MM + 8, top - high - 6, words, 2.3, va="top", linespacing=1.3)
    _ruler(axes, left, top - high - 9)
