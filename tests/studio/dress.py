"""Clothes, shoes and hair for a bare body: one skinned mesh with colours and materials."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.spatial import ConvexHull, cKDTree

from .body import SHOE_SOLE_M, Body
from .materials import CLOTH, HAIR, SHOE

LOOKS: dict[str, dict[str, tuple[float, float, float]]] = {
    "blue": {
        "skin": (0.72, 0.50, 0.38),
        "hair": (0.07, 0.05, 0.04),
        "shirt": (0.10, 0.22, 0.55),
        "shorts": (0.08, 0.08, 0.10),
        "sock": (0.9, 0.9, 0.9),
        "shoe": (0.85, 0.15, 0.12),
    },
    "white": {
        "skin": (0.40, 0.25, 0.17),
        "hair": (0.03, 0.03, 0.03),
        "shirt": (0.85, 0.85, 0.83),
        "shorts": (0.55, 0.08, 0.10),
        "sock": (0.1, 0.1, 0.1),
        "shoe": (0.9, 0.9, 0.9),
    },
    "green": {
        "skin": (0.85, 0.66, 0.54),
        "hair": (0.35, 0.22, 0.10),
        "shirt": (0.15, 0.42, 0.26),
        "shorts": (0.85, 0.85, 0.85),
        "sock": (0.9, 0.9, 0.9),
        "shoe": (0.15, 0.15, 0.18),
    },
    "red": {
        "skin": (0.55, 0.36, 0.25),
        "hair": (0.05, 0.04, 0.03),
        "shirt": (0.62, 0.10, 0.10),
        "shorts": (0.12, 0.12, 0.14),
        "sock": (0.85, 0.85, 0.85),
        "shoe": (0.2, 0.3, 0.6),
    },
    "grey": {
        "skin": (0.80, 0.60, 0.48),
        "hair": (0.12, 0.08, 0.05),
        "shirt": (0.42, 0.43, 0.45),
        "shorts": (0.15, 0.20, 0.40),
        "sock": (0.2, 0.2, 0.2),
        "shoe": (0.75, 0.75, 0.75),
    },
}


@dataclass
class Person:
    """Skin, clothes, shoes and hair as one skinned mesh; the first `body_vertices` are the body's own."""

    points: np.ndarray
    faces: np.ndarray
    colour: np.ndarray
    material: np.ndarray
    weights: sp.csr_matrix
    body_vertices: int


def vertex_normals(points: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """Area-weighted vertex normals (N, 3)."""
    n = np.cross(points[faces[:, 1]] - points[faces[:, 0]], points[faces[:, 2]] - points[faces[:, 0]])
    out = np.stack([np.bincount(faces.ravel(), np.repeat(n[:, c], 3), len(points)) for c in range(3)], 1)
    return out / (np.linalg.norm(out, axis=1, keepdims=True) + 1e-12)


def _neighbours(faces: np.ndarray, n: int) -> sp.csr_matrix:
    """Row-normalised vertex adjacency."""
    e = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    e = np.concatenate([e, e[:, ::-1]])
    a = sp.csr_matrix((np.ones(len(e)), (e[:, 0], e[:, 1])), (n, n))
    a.data[:] = 1
    return sp.diags(1 / np.maximum(np.asarray(a.sum(1)).ravel(), 1)) @ a


def dress(body: Body, look: str) -> Person:
    """Colour the body and put on shirt, shorts, socks, shoes and hair; masks go by bone and height at rest."""
    c, v = LOOKS[look], body.vertices
    size = body.stature_m / 1.88
    bone = np.array(body.bones)[body.weights.argmax(1)]
    x, back, z = v[:, 0], -v[:, 1], v[:, 2]
    at = body.at
    eye_z, eye_back = at("eye.R")[2], -at("eye.R")[1]
    head = bone == "head"
    ear = (
        (np.abs(x) > 0.068 * size)
        & (z < eye_z + 0.03)
        & (z > eye_z - 0.07)
        & (back > eye_back + 0.03)
        & (back < eye_back + 0.11)
    )
    hair = (
        head
        & ~ear
        & (
            (z > eye_z + 0.075)
            | ((back > eye_back + 0.075) & (z > eye_z + 0.01))
            | ((back > eye_back + 0.10) & (z > eye_z - 0.06))
        )
    )
    colour = np.tile(np.array(c["skin"]), (len(v), 1))
    face = head & (back < eye_back + 0.03)
    colour[face & (np.abs(z - (eye_z - 0.075)) < 0.010) & (np.abs(x) < 0.026) & (back < eye_back - 0.01)] *= (
        0.85,
        0.6,
        0.6,
    )
    colour[face & (np.abs(z - (eye_z + 0.024)) < 0.006) & (np.abs(np.abs(x) - 0.034) < 0.022)] = (
        np.array(c["hair"]) * 1.3
    )
    for s in "LR":
        e = np.flatnonzero(bone == f"eye.{s}")
        centre = v[e].mean(0)
        colour[e] = 0.92
        colour[e[(np.hypot(v[e, 0] - centre[0], v[e, 2] - centre[2]) < 0.0065) & (v[e, 1] > centre[1])]] = (
            0.12,
            0.07,
            0.04,
        )
    colour[hair] = c["hair"]
    torso_bones = ["spine05", "spine04", "spine03", "spine02", "spine01", "root", "neck01"]
    torso_bones += [
        f"{n}.{s}"
        for s in "LR"
        for n in ("clavicle", "shoulder01", "pelvis", "upperarm01", "upperarm02", "upperleg01", "breast")
    ]
    torso = np.isin(bone, torso_bones)
    hip_z, knee_z, ankle_z = at("upperleg01.R")[2], at("lowerleg01.R")[2], at("foot.R")[2]
    along = np.zeros(len(v))  # fraction shoulder to elbow, for the sleeve's end
    for s in "LR":
        a, d = at(f"upperarm01.{s}"), at(f"lowerarm01.{s}") - at(f"upperarm01.{s}")
        m = np.isin(bone, [f"upperarm01.{s}", f"upperarm02.{s}"])
        along[m] = ((v[m] - a) @ d) / (d @ d)
    collar = at("neck01")[2] - 0.010 + 0.15 * np.maximum(back + 0.02, 0)
    shirt = torso & (z > hip_z - 0.05) & (along < 0.58) & ((z < collar) | (np.abs(x) > 0.075 * size))
    leg_bones = ["root", "spine05"] + [f"{n}.{s}" for s in "LR" for n in ("pelvis", "upperleg01", "upperleg02")]
    shorts = np.isin(bone, leg_bones) & (z < hip_z + 0.10) & (z > knee_z + 0.05)
    foot = np.array([b.startswith(("foot", "toe")) for b in bone])
    shoe = foot & (z < ankle_z + 0.01)
    sock = (np.isin(bone, ["lowerleg02.L", "lowerleg02.R"]) | foot) & (z < ankle_z + 0.10) & ~shoe
    for mask, name in (
        (shirt & (along < 0.48), "shirt"),
        (shorts & (z > knee_z + 0.085), "shorts"),
        (sock, "sock"),
        (shoe, "shoe"),
    ):
        colour[mask] = c[name]
    material = np.zeros(len(v))
    material[hair], material[shirt | shorts | shoe | sock] = HAIR, CLOTH
    normals = vertex_normals(v, body.faces)
    loose_shirt = 0.014 + 0.012 * np.clip(along, 0, 1) + 0.010 * np.clip((hip_z + 0.25 - z) / 0.3, 0, 1)
    loose_shorts = 0.012 + 0.035 * np.clip((hip_z - z) / (hip_z - knee_z - 0.05), 0, 1)
    parts = [
        _garment(body, normals, shirt, loose_shirt, 6, c["shirt"], CLOTH),
        _garment(body, normals, shorts, loose_shorts, 8, c["shorts"], CLOTH),
    ]
    parts += [_shoe(body, normals, np.flatnonzero(shoe & ((x < 0) == (s == "L"))), c["shoe"]) for s in "LR"]
    parts.append(_garment(body, normals, hair, np.full(len(v), 0.012), 3, c["hair"], HAIR))
    points, faces, colours, materials = [v], [body.faces[~shoe[body.faces].all(1)]], [colour], [material]
    weights = [sp.csr_matrix(np.where(body.weights > 1e-4, body.weights, 0))]
    n = len(v)
    for p, f, col, mat, w in parts:
        points.append(p)
        faces.append(f + n)
        colours.append(col)
        materials.append(mat)
        weights.append(sp.csr_matrix(np.where(w > 1e-3, w, 0)))
        n += len(p)
    w = sp.vstack(weights).tocsr()
    w = sp.csr_matrix(sp.diags(1 / np.asarray(w.sum(1)).ravel()) @ w)
    return Person(
        np.vstack(points), np.vstack(faces).astype(np.int32), np.vstack(colours), np.concatenate(materials), w, len(v)
    )


def _garment(
    body: Body, normals: np.ndarray, mask: np.ndarray, off_m: np.ndarray, passes: int, colour: tuple, material: int
):
    """A layer of cloth: the masked skin pushed outward and smoothed, with smoothed weights."""
    f = body.faces[mask[body.faces].all(1)]
    ids = np.unique(f)
    renumber = -np.ones(len(mask), int)
    renumber[ids] = np.arange(len(ids))
    f = renumber[f]
    near = _neighbours(f, len(ids))
    p, w = body.vertices[ids] + normals[ids] * off_m[ids, None], body.weights[ids].copy()
    for _ in range(passes):
        p = p + 0.5 * (near @ p - p) + normals[ids] * 0.0006
        w = 0.5 * w + 0.5 * (near @ w)
    return p, f, np.tile(np.array(colour), (len(ids), 1)), np.full(len(ids), float(material)), w


def _shoe(body: Body, normals: np.ndarray, ids: np.ndarray, colour: tuple):
    """A shoe: convex hull of the foot and of a sole below it, subdivided twice, weighted like the skin nearby."""
    v = body.vertices
    upper = v[ids] + normals[ids] * 0.009
    bottom = upper[:, 2].min()
    low = ids[upper[:, 2] < bottom + 0.03]
    sole = v[low] + normals[low] * 0.012
    sole[:, 2] = bottom - (SHOE_SOLE_M - 0.009)
    cloud = np.vstack([upper, sole])
    hull = ConvexHull(cloud)
    renumber = -np.ones(len(cloud), int)
    renumber[hull.vertices] = np.arange(len(hull.vertices))
    f, p = renumber[hull.simplices], cloud[hull.vertices]
    n = np.cross(p[f[:, 1]] - p[f[:, 0]], p[f[:, 2]] - p[f[:, 0]])
    inward = (n * (p[f].mean(1) - p.mean(0))).sum(1) < 0
    f[inward] = f[inward][:, ::-1]
    for _ in range(2):
        p, f = _subdivide(p, f)
    w = body.weights[ids][cKDTree(v[ids]).query(p, k=24)[1]].mean(1)
    col = np.tile(np.array(colour), (len(p), 1))
    toe = p[:, 1] > p[:, 1].max() - 0.05
    col[(p[:, 2] < bottom + 0.012) | (toe & (p[:, 2] < bottom + 0.035))] = (0.90, 0.90, 0.88)
    return p, f, col, np.full(len(p), float(SHOE)), w


def _subdivide(p: np.ndarray, f: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Split every triangle in four."""
    edges = np.sort(np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]]), 1)
    unique, back = np.unique(edges, axis=0, return_inverse=True)
    m = back.reshape(3, -1) + len(p)
    a, b, c = f.T
    quarters = ((a, m[0], m[2]), (m[0], b, m[1]), (m[2], m[1], c), (m[0], m[1], m[2]))
    return np.vstack([p, p[unique].mean(1)]), np.concatenate([np.stack(q, 1) for q in quarters])
