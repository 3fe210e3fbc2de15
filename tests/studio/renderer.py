"""Renderer: OpenGL through moderngl and EGL, so it works on a machine without a screen."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import moderngl
import numpy as np

from .ball import BALL_RADIUS_M
from .body import Body, skin
from .camera import Camera, PrintedBoard
from .dress import Person, dress, vertex_normals
from .materials import PRINT
from .places import LIGHT, PLACES, Part, quad, sphere

SHADERS = Path(__file__).resolve().parent / "shaders"
SHADOW_HALF_M = 2.8
"""The shadow map covers this much on each side of its centre; beyond it nothing casts a shadow."""


@dataclass
class Figure:
    """A dressed body on the graphics side; `vertices` are those of its latest pose."""

    body: Body
    person: Person
    position: moderngl.Buffer
    normal: moderngl.Buffer
    shaded: moderngl.VertexArray
    shadow: moderngl.VertexArray
    vertices: np.ndarray

    def pose(self, rotation: np.ndarray, heads: np.ndarray) -> None:
        """Skin the figure for one pose: rotation (B, 3, 3), heads (B, 3)."""
        self.vertices = skin(self.body, self.person.weights, self.person.points, rotation, heads)
        self.position.write(self.vertices.astype("f4").tobytes())
        self.normal.write(vertex_normals(self.vertices, self.person.faces).astype("f4").tobytes())


class Renderer:
    """Draws dressed bodies, the ball and a place."""

    def __init__(
        self,
        figures: list[tuple[Body, str]],
        place: str,
        width: int,
        height: int,
        gain: float = 1.0,
        board: PrintedBoard | None = None,
        samples: int = 4,
    ) -> None:
        """Dress every (body, look) and upload everything; samples 0 or 4 for antialiasing."""
        self.width, self.height, self.gain = width, height, gain
        self.light = LIGHT[place]
        self.empty: np.ndarray | None = None
        self.empty_camera: Camera | None = None
        c = self.ctx = moderngl.create_standalone_context(backend="egl")
        self.program = self._program("scene")
        self.shadow_program = self._program("shadow")
        size = (width, height)
        self.target = c.framebuffer(
            [c.renderbuffer(size, 3, samples=samples)], c.depth_renderbuffer(size, samples=samples)
        )
        self.flat = c.framebuffer([c.renderbuffer(size, 3)])
        self.shadow = c.depth_texture((1536, 1536))
        self.shadow.compare_func, self.shadow.filter = "<=", (moderngl.LINEAR, moderngl.LINEAR)
        self.shadow_target = c.framebuffer(depth_attachment=self.shadow)
        self.place = self._upload(PLACES[place]())
        self.ball = self._upload(sphere())
        self.print: tuple[moderngl.VertexArray, moderngl.VertexArray] | None = None
        self.print_texture: moderngl.Texture | None = None
        if board is not None:
            self.print, self.print_texture = self._upload_print(board)
        self.figures = [self._figure(body, look) for body, look in figures]

    def _program(self, name: str) -> moderngl.Program:
        vertex, fragment = ((SHADERS / f"{name}.{end}").read_text() for end in ("vert", "frag"))
        return self.ctx.program(vertex_shader=vertex, fragment_shader=fragment)

    def _figure(self, body: Body, look: str) -> Figure:
        person, c = dress(body, look), self.ctx
        position, normal = (c.buffer(reserve=len(person.points) * 12, dynamic=True) for _ in range(2))
        index = c.buffer(person.faces.astype("i4").tobytes())
        shaded = [
            (position, "3f", "pos"),
            (normal, "3f", "nor"),
            (self._buffer(person.colour), "3f", "col"),
            (self._buffer(person.material), "1f", "mat"),
        ]
        return Figure(
            body,
            person,
            position,
            normal,
            c.vertex_array(self.program, shaded, index),
            c.vertex_array(self.shadow_program, [(position, "3f", "pos")], index),
            person.points,
        )

    def _buffer(self, a: np.ndarray) -> moderngl.Buffer:
        return self.ctx.buffer(np.ascontiguousarray(a, dtype="f4").tobytes())

    def _upload(self, part: Part):
        p, f, n, colour, material = part
        index, position = self.ctx.buffer(f.astype("i4").tobytes()), self._buffer(p)
        shaded = [
            (position, "3f", "pos"),
            (self._buffer(n), "3f", "nor"),
            (self._buffer(colour), "3f", "col"),
            (self._buffer(material), "1f", "mat"),
        ]
        return self.ctx.vertex_array(self.program, shaded, index), self.ctx.vertex_array(
            self.shadow_program, [(position, "3f", "pos")], index
        )

    def _upload_print(self, board: PrintedBoard):
        """The printed board as a unit quad with its picture as texture, and the matrix that lays it on the floor."""
        w, h = (int(n * 100) for n in board.squares)
        picture = board.make().generateImage((w, h))
        texture = self.ctx.texture((w, h), 1, np.ascontiguousarray(picture).tobytes())
        texture.build_mipmaps()
        texture.filter, texture.anisotropy = (moderngl.LINEAR_MIPMAP_LINEAR, moderngl.LINEAR), 16.0
        size = np.array(board.squares) * board.square_m
        o, u, v = board.to_world(np.array([[0, 0], [size[0], 0], [0, size[1]]]))
        m = np.eye(4)
        m[:3, 0], m[:3, 1], m[:3, 2], m[:3, 3] = u - o, v - o, (0, 0, 1), o
        self.print_matrix = m
        return self._upload(quad((0, 0, 0), (1, 0, 0), (0, 1, 0), (1, 1, 1), PRINT)), texture

    def draw(self, cam: Camera, ball: np.ndarray, ball_rotation: np.ndarray, centre: np.ndarray) -> np.ndarray:
        """One picture (H, W, 3) uint8 of the posed figures; the shadow map covers a few metres round `centre`.

        The empty place is drawn once per camera; after that only the parts that the figures, the ball and their shadows
        can touch are drawn again (software rendering is bound by pixels).
        """
        if self.empty is None or self.empty_camera is not cam:
            self.empty = self._draw(cam, ball, ball_rotation, centre, None)
            self.empty_camera = cam
        assert self.empty is not None
        picture = self.empty.copy()
        for box in self._changed(cam, ball):
            x, y, w, h = box
            self._draw(cam, ball, ball_rotation, centre, (x, self.height - y - h, w, h))
            picture[y : y + h, x : x + w] = self._read((x, self.height - y - h, w, h))
        return picture

    def _changed(self, cam: Camera, ball: np.ndarray) -> list[tuple[int, int, int, int]]:
        """Pixel boxes (x, y, width, height) that hold the figures, the ball and their shadows on the floor."""
        toward = np.array(self.light["toward"])
        round_ball = ball + BALL_RADIUS_M * 1.05 * np.array(
            [[i, j, k] for i in (-1, 1) for j in (-1, 1) for k in (-1, 1)]
        )

        def box(points: np.ndarray) -> np.ndarray | None:
            cast = np.vstack([points, points - toward * (points[:, 2:] / toward[2])])
            cast = cast[cam.depth(cast) > 0.2]
            if len(cast) == 0:
                return None
            p = cam.project(cast)
            limit = np.array([self.width, self.height])
            low, high = np.clip(np.floor(p.min(0)) - 10, 0, limit), np.clip(np.ceil(p.max(0)) + 10, 0, limit)
            return np.array([low, high]) if (high > low).all() else None

        boxes: list[np.ndarray] = []
        for new in (box(points) for points in (round_ball, *(f.vertices[::7] for f in self.figures))):
            if new is None:
                continue
            while touching := [b for b in boxes if (b[0] <= new[1]).all() and (new[0] <= b[1]).all()]:
                boxes = [b for b in boxes if not any(b is t for t in touching)]
                low, high = np.min([new, *touching], axis=0)[0], np.max([new, *touching], axis=0)[1]
                new = np.array([low, high])
            boxes.append(new)
        return [(int(b[0, 0]), int(b[0, 1]), int(b[1, 0] - b[0, 0]), int(b[1, 1] - b[0, 1])) for b in boxes]

    def _read(self, box: tuple[int, int, int, int]) -> np.ndarray:
        return np.frombuffer(self.flat.read(box, components=3, alignment=1), np.uint8).reshape(box[3], box[2], 3)[::-1]

    def _draw(
        self,
        cam: Camera,
        ball: np.ndarray,
        ball_rotation: np.ndarray,
        centre: np.ndarray,
        scissor: tuple[int, int, int, int] | None,
    ) -> np.ndarray | None:
        """Draw the place alone (scissor None, returns the picture) or everything inside a box, x and y from below."""
        c, near, far = self.ctx, 0.05, 90.0
        k = cam.matrix
        clip = np.array(
            [
                [2 * k[0, 0] / self.width, 0, 2 * k[0, 2] / self.width - 1, 0],
                [0, 2 * k[1, 1] / self.height, 2 * k[1, 2] / self.height - 1, 0],
                [0, 0, (far + near) / (far - near), -2 * far * near / (far - near)],
                [0, 0, 1, 0],
            ]
        )
        clip[1] *= -1
        view = np.eye(4)
        view[:3, :3], view[:3, 3] = cam.rotation, cam.shift
        toward, light = self._light_matrix(centre)
        model = np.eye(4)
        model[:3, :3], model[:3, 3] = ball_rotation * BALL_RADIUS_M, ball
        c.enable(moderngl.DEPTH_TEST)
        c.disable(moderngl.CULL_FACE)
        self.shadow_target.use()
        self.shadow_target.clear(depth=1.0)
        self._set(self.shadow_program, LVP=light, MM=np.eye(4))
        if scissor is not None:
            for figure in self.figures:
                figure.shadow.render()
            self._set(self.shadow_program, MM=model)
            self.ball[1].render()
        self.target.use()
        self.target.scissor = scissor
        self.target.clear(*(np.array(self.light["sky"]) * min(self.gain, 1.1)))
        self.shadow.use(0)
        self.program["sh"] = 0
        self._set(self.program, VP=clip @ view, LVP=light, MM=np.eye(4))
        for name, value in (
            ("L", tuple(toward)),
            ("eye", tuple(cam.centre)),
            ("amb", self.light["amb"]),
            ("sun", self.light["sun"]),
            ("gain", self.gain),
        ):
            self.program[name] = value
        if scissor is not None:  # nearest first, so that hidden pixels are not shaded
            for figure in self.figures:
                figure.shaded.render()
            self._set(self.program, MM=model)
            self.ball[0].render()
            self._set(self.program, MM=np.eye(4))
        self.place[0].render()
        if self.print is not None and self.print_texture is not None:
            self.print_texture.use(1)
            self.program["print_"] = 1
            self._set(self.program, MM=self.print_matrix)
            self.print[0].render()
        c.copy_framebuffer(self.flat, self.target)
        self.target.scissor = None
        return self._read((0, 0, self.width, self.height)) if scissor is None else None

    def _light_matrix(self, centre: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        toward = np.array(self.light["toward"]) / np.linalg.norm(self.light["toward"])
        z = -toward
        x = np.cross([0, 1.0, 0], z)
        x /= np.linalg.norm(x)
        r, half = np.stack([x, np.cross(z, x), z]), SHADOW_HALF_M
        view, ortho = np.eye(4), np.diag([1 / half, 1 / half, 2 / 14, 1.0])
        view[:3, :3], view[:3, 3] = r, -r @ (centre + 6 * toward)
        ortho[2, 3] = -1
        return toward, ortho @ view

    @staticmethod
    def _set(program: moderngl.Program, **matrices: np.ndarray) -> None:
        for name, m in matrices.items():
            if name in program:
                program[name].write(np.ascontiguousarray(m.T, dtype="f4").tobytes())
