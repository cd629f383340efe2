"""Take the picture: a pinhole camera, an off-screen OpenGL renderer, a place, and its wear.

Pixels as in the tracks: (0, 0) is the outer corner of the top-left pixel.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import moderngl
import numpy as np
from numpy.typing import NDArray
from rotations import about, unit

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

_VERTEX = """
#version 330
uniform mat4 clip;
in vec3 place; in vec3 normal; in vec3 colour;
out vec3 n; out vec3 c; out vec3 p;
void main() { gl_Position = clip * vec4(place, 1.0); n = normal; c = colour; p = place; }
"""
_FRAGMENT = """
#version 330
uniform vec3 sun; uniform vec3 sky; uniform float ambient; uniform float gloss; uniform vec3 eye;
uniform float shadow; uniform mat4 from_sun; uniform sampler2DShadow nearest;
in vec3 n; in vec3 c; in vec3 p;
out vec4 shade;
void main() {
    vec3 m = normalize(n);
    float direct = max(dot(m, sun), 0.0);
    vec4 q = from_sun * vec4(p + 0.012 * m, 1.0);  // off the surface, or it would shade itself
    float open = 0.0;
    for (int i = -1; i <= 1; i++) for (int j = -1; j <= 1; j++)
        open += texture(nearest, q.xyz * 0.5 + 0.5 + vec3(i, j, -0.6) / 700.0) / 9.0;
    direct *= 1.0 - shadow * (1.0 - open);
    float above = 0.5 + 0.5 * m.z;
    vec3 h = normalize(sun + normalize(eye - p));
    float shine = gloss * pow(max(dot(m, h), 0.0), 20.0);
    vec3 light = ambient * mix(vec3(0.55, 0.5, 0.45), sky, above) + (1.1 - ambient) * direct;
    shade = vec4(c * light + shine, 1.0);
}
"""


_SHADOW_VERTEX = """
#version 330
uniform mat4 clip;
in vec3 place;
void main() { gl_Position = clip * vec4(place, 1.0); }
"""
_SHADOW_FRAGMENT = """
#version 330
void main() {}
"""
_SHADOW_SIDE = 1024
_SHADOW_MIDDLE, _SHADOW_REACH_M = np.array([0.0, 0.0, 0.9]), 1.7  # a golfer, the club up


@dataclass(frozen=True, kw_only=True)
class Camera:
    """x_cam = turn (X - place); u = f x/z + cx, v = f y/z + cy."""

    turn: Array
    place: Array
    f_px: float
    width: int
    height: int

    def project(self, points: Array) -> Array:
        local = (points - self.place) @ self.turn.T
        return local[..., :2] / local[..., 2:] * self.f_px + np.array([self.width, self.height]) / 2

    def clip(self) -> NDArray[np.float32]:
        """OpenGL's clip matrix for this camera, near 0.3 m, far 60 m."""
        near, far = 0.3, 60.0
        view = np.eye(4)
        view[:3, :3] = np.diag([1.0, -1.0, -1.0]) @ self.turn
        view[:3, 3] = -view[:3, :3] @ self.place
        lens = np.zeros((4, 4))
        lens[0, 0], lens[1, 1] = 2 * self.f_px / self.width, 2 * self.f_px / self.height
        lens[2, 2], lens[2, 3] = -(far + near) / (far - near), -2 * far * near / (far - near)
        lens[3, 2] = -1.0
        return (lens @ view).astype(np.float32)


def draw_camera(
    view: str,
    rng: np.random.Generator,
    size: tuple[int, int] = (540, 960),
    *,
    yaw_deg: float | None = None,
) -> Camera:
    """A phone on a bag or a small tripod: 2.5 to 7 m away, 0.8 to 1.6 m up, 24 to 40 mm.

    `yaw_deg` moves it round the golfer by just so much, a face-on one toward the target; None:
    some degrees by chance.
    """
    width, height = size
    equivalent_mm = rng.uniform(24, 40)
    f_px = equivalent_mm / 36.0 * height  # the long side is 36 mm
    # The golfer fills 30 to 62 % of the height, and a metre to each side is in the picture.
    nearest = max(2.5, 2.0 * f_px / width, 1.75 * f_px / (0.62 * height))
    farthest = min(7.0, 1.75 * f_px / (0.30 * height))
    distance = float(rng.uniform(nearest, max(farthest, nearest + 0.1)))
    up = rng.uniform(0.8, 1.6)
    by_chance = float(np.clip(rng.normal(0.0, 6.0), -15, 15))
    yaw = by_chance if yaw_deg is None else yaw_deg
    base = about("z", yaw)
    if view == "face-on":
        place = base @ np.array([rng.normal(0, 0.15), -distance, 0.0])
        ahead = base @ np.array([0.0, 1.0, 0.0])
    else:
        place = base @ np.array([-distance, rng.normal(-0.35, 0.2), 0.0])
        ahead = base @ np.array([1.0, 0.0, 0.0])
    place[2] = up
    # Tilt so that the golfer stands in the middle of the picture, more or less.
    target = place + ahead * distance
    target[2] = rng.uniform(0.85, 1.15)
    z = unit(target - place)
    x = unit(np.cross(z, np.array([0.0, 0.0, 1.0])))
    y = np.cross(z, x)
    turn = about("z", float(rng.normal(0, 1.5))) @ np.stack([x, y, z])
    return Camera(turn=turn, place=place, f_px=float(f_px), width=width, height=height)


def _from_sun(sun: Array) -> NDArray[np.float32]:
    """The clip matrix of a picture taken from the sun, everything at one scale."""
    z = -unit(sun)
    x = unit(np.cross(z, np.array([0.1, 0.9, 0.3])))
    turn = np.stack([x, np.cross(z, x), z]) / _SHADOW_REACH_M
    out = np.eye(4)
    out[:3, :3] = turn
    out[:3, 3] = -turn @ _SHADOW_MIDDLE
    return out.astype(np.float32)


class Renderer:
    """Draws triangles with colour at the vertices; keeps its buffers between pictures."""

    def __init__(self, size: tuple[int, int]) -> None:
        self.size = size
        self._gl = moderngl.create_context(standalone=True, backend="egl")
        self._program = self._gl.program(vertex_shader=_VERTEX, fragment_shader=_FRAGMENT)
        self._many = self._gl.framebuffer(
            [self._gl.renderbuffer(size, 4, samples=4)],
            self._gl.depth_renderbuffer(size, samples=4),
        )
        self._one = self._gl.framebuffer([self._gl.renderbuffer(size, 4)])
        self._shadow_program = self._gl.program(
            vertex_shader=_SHADOW_VERTEX, fragment_shader=_SHADOW_FRAGMENT
        )
        self._nearest = self._gl.depth_texture((_SHADOW_SIDE, _SHADOW_SIDE))
        self._nearest.compare_func = "<="
        self._shadows = self._gl.framebuffer(depth_attachment=self._nearest)

    def draw(
        self,
        camera: Camera,
        parts: list[tuple[Array, Array, Array, NDArray[np.int32]]],
        light: dict[str, object],
    ) -> Image:
        """Return RGBA (height, width, 4); parts are (vertices, normals, colours, triangles)."""
        gl = self._gl
        gl.enable(moderngl.DEPTH_TEST)
        made = []
        for vertices, normals, colours, triangles in parts:
            data = np.concatenate([vertices, normals, colours], axis=1).astype("f4")
            made.append((gl.buffer(data.tobytes()), gl.buffer(triangles.astype("i4").tobytes())))
        from_sun = _from_sun(np.array(light["sun"]))
        self._shadows.use()
        self._shadows.clear(depth=1.0)
        self._shadow_program["clip"].write(from_sun.T.tobytes())
        for buffer, index in made:
            array = gl.vertex_array(self._shadow_program, [(buffer, "3f 24x", "place")], index)
            array.render()
            array.release()
        self._many.use()
        gl.clear(0.0, 0.0, 0.0, 0.0, 1.0)
        self._program["clip"].write(camera.clip().T.tobytes())
        self._program["eye"] = tuple(camera.place)
        for name, value in light.items():
            self._program[name] = value
        self._program["from_sun"].write(from_sun.T.tobytes())
        self._nearest.use(0)
        self._program["nearest"] = 0
        for buffer, index in made:
            array = gl.vertex_array(
                self._program, [(buffer, "3f 3f 3f", "place", "normal", "colour")], index
            )
            array.render()
            for thing in (array, buffer, index):
                thing.release()
        gl.copy_framebuffer(self._one, self._many)
        raw = self._one.read(components=4)
        return np.frombuffer(raw, np.uint8).reshape(self.size[1], self.size[0], 4)[::-1]


def tube(
    start: Array, end: Array, radius_m: float, colour: Array
) -> tuple[Array, Array, Array, NDArray[np.int32]]:
    """A straight round bar."""
    along = unit(end - start)
    side = unit(np.cross(along, np.array([0.3, 0.9, 0.2])))
    other = np.cross(along, side)
    turn = np.arange(8) * np.pi / 4
    ring = np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * other
    vertices = np.concatenate([start + ring * radius_m, end + ring * radius_m])
    k = np.arange(8)
    n = (k + 1) % 8
    triangles = np.concatenate([np.stack([k, n, k + 8], 1), np.stack([n, n + 8, k + 8], 1)])
    return (
        vertices,
        np.concatenate([ring, ring]),
        np.repeat(colour[None], 16, 0),
        triangles.astype(np.int32),
    )


def _noise(shape: tuple[int, int], grain_px: float, rng: np.random.Generator) -> Array:
    small = (max(int(shape[0] / grain_px), 2), max(int(shape[1] / grain_px), 2))
    field = rng.normal(0, 1, small).astype(np.float32)
    return cv2.resize(field, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)


def _textured(
    shape: tuple[int, int], colour: Array, rng: np.random.Generator, contrast: float
) -> Array:
    noise = sum(_noise(shape, g, rng) for g in (2.0, 6.0, 25.0, 90.0)) / 2.0
    return colour[None, None] * (1.0 + contrast * noise[..., None])


def place_behind(camera: Camera, rng: np.random.Generator) -> Array:
    """A made-up place, (height, width, 3) RGB 0 to 1: a range, a garden, a net, a room."""
    height, width = camera.height, camera.width
    shape = (height, width)
    ahead = camera.turn[2]
    horizon = height / 2 - camera.f_px * ahead[2] / max(np.hypot(ahead[0], ahead[1]), 0.1) * -1.0
    horizon = float(np.clip(horizon, 0.15 * height, 0.8 * height))
    rows = np.arange(height)[:, None, None]
    kind = rng.choice(["range", "garden", "net", "room"], p=[0.4, 0.2, 0.15, 0.25])
    indoors = kind == "room"
    ground = (
        rng.uniform(0.15, 0.5, 3)
        if indoors
        else np.array([rng.uniform(0.18, 0.42), rng.uniform(0.32, 0.55), rng.uniform(0.1, 0.25)])
    )
    back = (
        rng.uniform(0.3, 0.9, 3)
        if indoors
        else np.array([rng.uniform(0.5, 0.75), rng.uniform(0.65, 0.85), rng.uniform(0.75, 0.98)])
    )
    edge = horizon + (
        rng.uniform(0.06, 0.16) * height if indoors else rng.uniform(0, 0.04) * height
    )
    image = np.where(
        rows < edge,
        _textured(shape, back, rng, 0.03),
        _textured(shape, ground, rng, rng.uniform(0.05, 0.16)),
    )
    if kind in ("range", "garden"):
        top = edge - rng.uniform(0.02, 0.2) * height * (1 + 0.25 * _noise((1, width), 40.0, rng)[0])
        trees = (np.arange(height)[:, None] > top[None]) & (np.arange(height)[:, None] < edge)
        leaf = _textured(shape, np.array([0.12, 0.24, 0.1]) * rng.uniform(0.7, 2.2), rng, 0.3)
        image = np.where(trees[..., None], leaf, image)
    if kind == "garden" and rng.random() < 0.7:
        fence = (np.arange(height) > edge - rng.uniform(0.08, 0.25) * height) & (
            np.arange(height) < edge + 8
        )
        slats = 0.8 + 0.2 * (np.sin(np.arange(width) * rng.uniform(0.15, 0.6)) > -0.8)
        wood = np.array([0.45, 0.33, 0.22]) * rng.uniform(0.7, 1.6)
        image = np.where(
            fence[:, None, None],
            (slats[None, :, None] * wood) * (1 + 0.05 * _noise(shape, 3.0, rng)[..., None]),
            image,
        )
    if kind == "net":
        step = rng.uniform(5, 14)
        yy, xx = np.mgrid[0:height, 0:width]
        mesh = (np.abs(np.sin((xx + yy) * np.pi / step)) < 0.14) | (
            np.abs(np.sin((xx - yy) * np.pi / step)) < 0.14
        )
        image = np.where((mesh & (yy < edge))[..., None], image * rng.uniform(0.2, 0.7), image)
    if indoors or rng.random() < 0.3:
        for _ in range(int(rng.integers(1, 7))):  # posts, doors, pictures, bags
            x, w = rng.integers(0, width), int(rng.uniform(4, 130))
            y, h = int(rng.uniform(0, edge)), int(rng.uniform(20, 420))
            image[y : y + h, x : x + w] = image[y : y + h, x : x + w] * 0.25 + 0.75 * rng.uniform(
                0.05, 0.95, 3
            )
    if rng.random() < 0.4:  # a mat
        far, near = edge + (height - edge) * 0.35, edge + (height - edge) * 0.95
        corners = np.array(
            [[width * 0.2, far], [width * 0.8, far], [width * 1.05, near], [-width * 0.05, near]]
        )
        cv2.fillPoly(
            image, [corners.astype(np.int32)], tuple(float(c) for c in rng.uniform(0.1, 0.5, 3))
        )
        image *= 1 + 0.04 * _noise(shape, 2.0, rng)[..., None]
    return np.clip(image, 0, 1)


def finish(
    person: Image,
    behind: Array,
    feet_px: Array,
    rng: np.random.Generator,
) -> Image:
    """Put the person in the place: shadow, softness, exposure, sensor noise, JPEG; BGR out."""
    behind = behind.astype(np.float32)
    height, width = behind.shape[:2]
    shadow = np.zeros((height, width), np.float32)
    middle = feet_px.mean(0)
    reach = float(np.ptp(feet_px[:, 0])) * 0.7 + 25
    cv2.ellipse(
        shadow,
        (int(middle[0] + rng.normal(0, 20)), int(middle[1] + 4)),
        (int(reach * rng.uniform(0.8, 1.8)), int(rng.uniform(8, 26))),
        float(rng.normal(0, 8)),
        0,
        360,
        1.0,
        -1,
    )
    shadow = cv2.GaussianBlur(shadow, (0, 0), rng.uniform(3, 10)) * rng.uniform(0.1, 0.6)
    image = behind * (1 - shadow[..., None])
    seen = person.astype(np.float32) / 255
    image = image * (1 - seen[..., 3:4]) + seen[..., :3]
    image = image * rng.uniform(0.75, 1.2)
    image = np.clip(image, 0, 1) ** rng.uniform(0.7, 1.1)
    image = image * rng.uniform(0.96, 1.04, 3).astype(np.float32)
    if rng.random() < 0.7:
        image = cv2.GaussianBlur(image, (0, 0), rng.uniform(0.3, 1.1))
    noise = rng.standard_normal(image.shape, dtype=np.float32)
    image = image + rng.uniform(0.003, 0.03) * noise
    bgr = (np.clip(image, 0, 1)[..., ::-1] * 255).astype(np.uint8)
    quality = int(rng.uniform(45, 92))
    coded = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR), np.uint8)
