"""What is behind the creature: a backdrop without a seam, a pool of light, a shadow on the ground.

The ground is a plane, so its way into the picture is a homography; Pillow draws it.

References
----------
R. Hartley, A. Zisserman, *Multiple View Geometry*, 2nd ed. 2004, section 8.1 (planes).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image

from ribbonsim.arrays import Array, Bytes, Singles
from ribbonsim.show.dome import GroundGrid
from ribbonsim.show.finish import Finish
from ribbonsim.view.camera import Camera
from ribbonsim.view.look import colour

Box = tuple[int, int, int, int]

_GRAZING = 0.02


@dataclass(frozen=True, eq=False)
class Cover:
    """A cut-out that stands in a picture.

    Parameters
    ----------
    pixels : (bottom - top, right - left, 4) array
        Red, green and blue times opacity, and opacity, 0 to 255.
    box : (left, top, right, bottom)
        Where it is, pixels.
    share : float
        How much of it is seen, 0 to 1.
    """

    pixels: Singles
    box: Box
    share: float = 1.0


class Backdrop:
    """Paints what is behind the creature, for one size and finish.

    Parameters
    ----------
    size : (width, height)
        Pixels.
    """

    def __init__(self, size: tuple[int, int], finish: Finish) -> None:
        self.size, self.finish = size, finish
        width, height = size
        down = np.linspace(0.0, 1.0, height, dtype=np.float32)[:, None, None]
        tones = _tone(finish.top) * (1 - down) + _tone(finish.bottom) * down
        self._plain = np.repeat(tones, width, axis=1)
        # parts of a step, so that slow gradients show no bands; the same in every frame
        noise = np.random.default_rng(7).random((height, width, 1), dtype=np.float32)
        # and half a step, so that cutting off what is behind the point rounds
        self._plain = np.clip(self._plain + noise, 0.5, 255.0)
        self._light(self._plain)

    def set_ground(self, camera: Camera, floor: GroundGrid) -> None:
        """Put the pool of light where the ground is; the camera may circle it afterwards."""
        cells = floor.cells
        at = (np.arange(cells) + 0.5) / cells * 2.0 - 1.0
        far = np.hypot(at[:, None], at[None, :])
        share = np.clip(1.0 - far, 0.0, 1.0)
        soft = (share * share * (3.0 - 2.0 * share)).astype(np.float32)
        wide = GroundGrid(floor.centre, floor.height, 1.9 * floor.reach, cells)
        whole = (0, 0, *self.size)
        pool = ground_image(soft, camera, wide, self.size, whole)[..., None]
        pool *= np.float32(self.finish.pool_share)
        self._light(self._plain + (_tone(self.finish.pool) - self._plain) * pool)

    def _light(self, lit: Singles) -> None:
        self._lit, self._shown = lit, lit.astype(np.uint8)
        self._to_shadow = _tone(self.finish.shadow) + np.float32(0.5) - lit

    def paint(
        self,
        camera: Camera,
        floor: GroundGrid,
        shade: Singles | None,
        covers: Sequence[Cover] = (),
    ) -> Bytes:
        """Backdrop, ground and shadow, with cut-outs in front of them."""
        picture = self._shown.copy()
        box = shadow_box(shade, camera, floor, self.size)
        for cover in covers:
            box = _both(box, cover.box)
        left, top, right, bottom = box
        if right <= left or bottom <= top:
            return picture
        lit = self._lit[top:bottom, left:right]
        if shade is None:
            part = lit.copy()
        else:
            dark = ground_image(shade, camera, floor, self.size, box)[..., None]
            part = self._to_shadow[top:bottom, left:right] * dark
            part += lit
        for cover in covers:
            x, y, x1, y1 = cover.box
            behind = part[y - top : y1 - top, x - left : x1 - left]
            behind *= 1.0 - cover.pixels[..., 3:] * np.float32(cover.share / 255.0)
            behind += cover.pixels[..., :3] * np.float32(cover.share)
        picture[top:bottom, left:right] = part
        return picture


def shadow_box(
    shade: Singles | None, camera: Camera, floor: GroundGrid, size: tuple[int, int]
) -> Box:
    """The part of a picture that a shadow on the ground may be seen in."""
    if shade is None:
        return 0, 0, 0, 0
    seen = shade > 1.0 / 512.0
    rows, columns = np.flatnonzero(seen.any(axis=1)), np.flatnonzero(seen.any(axis=0))
    if not len(rows):
        return 0, 0, 0, 0
    step, corner = 2.0 * floor.reach / floor.cells, np.array(floor.centre) - floor.reach
    x = corner[0] + step * np.array([columns[0] - 1, columns[-1] + 2])
    z = corner[1] + step * np.array([rows[0] - 1, rows[-1] + 2])
    corners = np.array([[a, floor.height, b] for a in x for b in z])
    places = camera.project(corners, size)
    if places[:, 2].min() < 1e-2:
        return 0, 0, *size
    return box_around(places, size, 1)


def box_around(places: Array, size: tuple[int, int], margin: int) -> Box:
    """The part of a picture that holds some places."""
    low = np.floor(places[:, :2].min(axis=0)).astype(int) - margin
    high = np.ceil(places[:, :2].max(axis=0)).astype(int) + margin
    left, top = (int(v) for v in np.clip(low, 0, size))
    right, bottom = (int(v) for v in np.clip(high, 0, size))
    return left, top, right, bottom


def _both(one: Box, other: Box) -> Box:
    if one[2] <= one[0] or one[3] <= one[1]:
        return other
    return (
        *(min(a, b) for a, b in zip(one[:2], other[:2], strict=True)),
        *(max(a, b) for a, b in zip(one[2:], other[2:], strict=True)),
    )  # type: ignore[return-value]


def ground_image(
    grid: Singles, camera: Camera, floor: GroundGrid, size: tuple[int, int], box: Box
) -> Singles:
    """A grid on the ground, seen by a camera that is not rolled."""
    left, top, right, bottom = box
    image = np.zeros((bottom - top, right - left), dtype=np.float32)
    if camera.position[1] <= floor.height + 1e-6:
        return image
    first = max(top, int(np.ceil(_horizon_row(camera, size[1]))))
    if first >= bottom:
        return image
    back = np.linalg.inv(_plane_to_picture(camera, floor, size))
    back = back @ np.array([[1, 0, left], [0, 1, first], [0, 0, 1.0]])
    back /= back[2, 2]
    seen = Image.fromarray(np.ascontiguousarray(grid, dtype=np.float32)).transform(
        (right - left, bottom - first),
        Image.Transform.PERSPECTIVE,
        tuple(back.ravel()[:8]),
        Image.Resampling.BILINEAR,
    )
    image[first - top :] = np.asarray(seen)
    return image


def _horizon_row(camera: Camera, height: int) -> float:
    """Row below which the ground is seen, a little under the horizon."""
    tangent = np.tan(np.radians(camera.view_angle) / 2.0)
    # a ray to row y goes down by this much for each unit ahead
    dip = camera.axes[2][1] - _GRAZING
    up = camera.axes[1][1]
    if up < 1e-9:
        return 0.0
    return float(height * 0.5 * (1.0 - dip / (up * tangent)))


def _plane_to_picture(camera: Camera, floor: GroundGrid, size: tuple[int, int]) -> Array:
    """(3, 3) from the cells of a floor to pixels."""
    step = 2.0 * floor.reach / floor.cells
    corner = np.array([floor.centre[0] - floor.reach, 0.0, floor.centre[1] - floor.reach])
    corner[1] = floor.height
    columns = np.stack(
        [np.array([step, 0.0, 0.0]), np.array([0.0, 0.0, step]), corner - camera.position], axis=1
    )
    right, up, back = camera.axes @ columns
    tangent = np.tan(np.radians(camera.view_angle) / 2.0)
    width, height = size
    depth = -back
    x = 0.5 * width * (depth + right / (tangent * camera.aspect))
    y = 0.5 * height * (depth - up / tangent)
    return np.stack([x, y, depth])


def _tone(code: str) -> Singles:
    return np.float32(255.0) * np.array(colour(code), dtype=np.float32)
