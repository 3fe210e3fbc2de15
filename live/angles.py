"""Joint angles of points in two or three dimensions. Internal angles: a straight limb has 180 degrees.

Clinical goniometry and the ISB convention (Wu et al. 2005, J. Biomech. 38:981) use flexion, 180 minus this.
"""

from __future__ import annotations

import numpy as np

from .records import FloatArray


def internal_deg(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    """Angle at b between a and c, degrees 0..180; points are (..., d), the result is (...). NaN where ends coincide."""
    u, v = a - b, c - b
    lengths = np.linalg.norm(u, axis=-1) * np.linalg.norm(v, axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        cosine = np.sum(u * v, axis=-1) / np.where(lengths > 0, lengths, np.nan)
    return np.asarray(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))), np.float64)
