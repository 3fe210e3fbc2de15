"""The skinned body: rest mesh from the `anny` package, forward kinematics, linear-blend skinning.

Rest coordinates (metres): x to the body's right, y forward, z up, soles on z = 0, the shoe sole included.
A pose is a global rotation per bone, relative to rest, and the position of the root bone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import scipy.sparse as sp

SHOE_SOLE_M = 0.021
"""Thickness that the shoe adds under the bare foot; stature is barefoot."""

BUILDS: dict[str, dict[str, float]] = {
    "man": {"gender": 1.0, "age": 0.667, "muscle": 0.68, "weight": 0.45, "height": 0.6, "proportions": 0.7},
    "woman": {"gender": 0.0, "age": 0.667, "muscle": 0.60, "weight": 0.42, "height": 0.5, "proportions": 0.7},
    "youth": {"gender": 0.8, "age": 0.47, "muscle": 0.50, "weight": 0.42, "height": 0.5, "proportions": 0.6},
}
"""Phenotypes in anny's own 0..1 parameters; `height` is only the start of a search for the stature."""

# Segment masses (fraction of the body) and centre-of-mass place (fraction from the first end): P. de Leva, "Adjustments
# to Zatsiorsky-Seluyanov's segment inertia parameters", J. Biomechanics 29 (1996), men; values from memory.
_SEGMENTS: list[tuple[float, float, str, str]] = [
    (0.0694, 0.5, "neck01", "head"),
    (0.4346, 0.45, "mid_shoulder", "mid_hip"),
]
for _s in "LR":
    _SEGMENTS += [
        (0.0271, 0.577, f"upperarm01.{_s}", f"lowerarm01.{_s}"),
        (0.0162, 0.457, f"lowerarm01.{_s}", f"wrist.{_s}"),
        (0.0061, 0.790, f"wrist.{_s}", f"finger3-1.{_s}"),
        (0.1416, 0.410, f"upperleg01.{_s}", f"lowerleg01.{_s}"),
        (0.0433, 0.446, f"lowerleg01.{_s}", f"foot.{_s}"),
        (0.0137, 0.500, f"foot.{_s}", f"toe1-1.{_s}"),
    ]


@dataclass(frozen=True, eq=False)
class Body:
    """Rest body. B bones, V vertices, F triangles, K surface keypoints (COCO order)."""

    bones: list[str]
    parent: np.ndarray  # (B,) index of the parent, -1 for the root; parents come before children
    rest: np.ndarray  # (B, 3) bone heads, m
    vertices: np.ndarray  # (V, 3) m
    faces: np.ndarray  # (F, 3)
    weights: np.ndarray  # (V, B) skinning weights, rows sum to 1
    keypoint_names: list[str]
    keypoint_weights: np.ndarray  # (K, V)
    stature_m: float

    @cached_property
    def _index(self) -> dict[str, int]:
        return {n: k for k, n in enumerate(self.bones)}

    def i(self, name: str) -> int:
        """Index of a bone."""
        return self._index[name]

    def at(self, name: str) -> np.ndarray:
        """Rest head of a bone, (3,) m."""
        return self.rest[self.i(name)]

    def heads(self, rotation: np.ndarray, root: np.ndarray) -> np.ndarray:
        """Bone heads (T, B, 3) m from global rotations (T, B, 3, 3) and root positions (T, 3)."""
        out = np.empty((*rotation.shape[:2], 3))
        for b, p in enumerate(self.parent):
            if p < 0:
                out[:, b] = root
            else:
                out[:, b] = out[:, p] + rotation[:, p] @ (self.rest[b] - self.rest[p])
        return out

    def centre_of_mass(self, heads: np.ndarray) -> np.ndarray:
        """Centre of mass (T, 3) m of the body without the ball, from bone heads (T, B, 3)."""

        def point(name: str) -> np.ndarray:
            if name == "mid_hip":
                return (heads[:, self.i("upperleg01.L")] + heads[:, self.i("upperleg01.R")]) / 2
            if name == "mid_shoulder":
                return (heads[:, self.i("upperarm01.L")] + heads[:, self.i("upperarm01.R")]) / 2
            return heads[:, self.i(name)]

        total = sum(m for m, *_ in _SEGMENTS)
        return sum(m / total * ((1 - f) * point(a) + f * point(b)) for m, f, a, b in _SEGMENTS)


def skin(body: Body, weights: sp.csr_matrix, points: np.ndarray, rotation: np.ndarray, heads: np.ndarray) -> np.ndarray:
    """Linear-blend skinning of rest `points` (N, 3) for one pose: rotation (B, 3, 3), heads (B, 3) -> (N, 3)."""
    shift = heads - np.einsum("bij,bj->bi", rotation, body.rest)
    blended = (weights @ np.concatenate([rotation, shift[:, :, None]], 2).reshape(len(rotation), 12)).reshape(-1, 3, 4)
    return np.einsum("nij,nj->ni", blended[:, :, :3], points) + blended[:, :, 3]


def load_body(build: str, stature_m: float, cache: Path) -> Body:
    """The body of the given build and stature; built once with anny (minutes the first time) and cached as .npz."""
    cache.mkdir(parents=True, exist_ok=True)
    file = cache / f"body_{build}_{round(stature_m * 1000)}mm.npz"
    if not file.exists():
        np.savez_compressed(file, **_build(build, stature_m))
    with np.load(file) as d:
        weights = np.zeros((len(d["vertices"]), len(d["bones"])))
        rows = np.repeat(np.arange(len(weights)), d["bone_index"].shape[1])
        np.add.at(weights, (rows, d["bone_index"].ravel()), d["bone_weight"].ravel())
        return Body(
            bones=[str(n) for n in d["bones"]],
            parent=d["parent"],
            rest=d["rest"].astype(float),
            vertices=d["vertices"].astype(float),
            faces=d["faces"].astype(np.int64),
            weights=weights / weights.sum(1, keepdims=True),
            keypoint_names=[str(n) for n in d["keypoint_names"]],
            keypoint_weights=d["keypoint_weights"].astype(float),
            stature_m=stature_m,
        )


def _build(build: str, stature_m: float) -> dict[str, np.ndarray]:
    """Search anny's height parameter for the stature, then scale the remainder; flip to our axes."""
    import anny
    import torch
    from anny.keypoints import KeypointsRegressor

    model = anny.Anny()
    identity = torch.eye(4)[None, None].repeat(1, model.bone_count, 1, 1)
    phenotype = dict(BUILDS[build])

    def rest(height: float) -> dict:
        return model(pose_parameters=identity, phenotype_kwargs=phenotype | {"height": height})

    def stature(out: dict) -> float:
        return float(np.ptp(out["rest_vertices"][0].numpy()[:, 2]))

    low, high = 0.02, 0.98
    for _ in range(18):
        middle = (low + high) / 2
        low, high = (middle, high) if stature(rest(middle)) < stature_m else (low, middle)
    out = rest((low + high) / 2)
    scale = stature_m / stature(out)
    flip = np.array([-scale, -scale, scale])  # anny faces -y with its left at +x
    vertices = out["rest_vertices"][0].numpy() * flip
    lift = np.array([0, 0, SHOE_SOLE_M - vertices[:, 2].min()])
    parent = np.array(model.kinematic_chain_indices[3].numpy()).copy()
    parent[0] = -1
    regressor = KeypointsRegressor.coco(model)
    return {
        "vertices": (vertices + lift).astype(np.float32),
        "rest": (out["rest_bone_heads"][0].numpy() * flip + lift).astype(np.float32),
        "faces": np.asarray(model.faces).astype(np.int32),
        "bones": np.array(model.bone_labels),
        "parent": parent,
        "bone_index": model.vertex_bone_indices.numpy(),
        "bone_weight": model.vertex_bone_weights.numpy(),
        "keypoint_weights": regressor.regression_weights.numpy(),
        "keypoint_names": np.array(regressor.labels),
    }
