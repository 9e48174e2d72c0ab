"""What is behind the creature: a backdrop without a seam, a pool of light, a shadow on the ground.

The ground is a plane, so its way into the picture is a homography; Pillow draws it.

References
----------
R. Hartley, A. Zisserman, *Multiple View Geometry*, 2nd ed. 2004, section 8.1 (planes).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from ribbonsim.view.camera import Camera
from ribbonsim.view.dome import Floor
from ribbonsim.view.finish import Finish
from ribbonsim.view.look import colour

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Bytes = NDArray[np.uint8]

_GRAZING = 0.02


class Backdrop:
    """Paints what is behind the creature, for one size and finish.

    Parameters
    ----------
    size : (width, height)
        Pixels.
    finish : Finish
    """

    def __init__(self, size: tuple[int, int], finish: Finish) -> None:
        self.size, self.finish = size, finish
        width, height = size
        down = np.linspace(0.0, 1.0, height, dtype=np.float32)[:, None, None]
        tones = _tone(finish.top) * (1 - down) + _tone(finish.bottom) * down
        self._plain = np.repeat(tones, width, axis=1)
        # parts of a step, so that slow gradients show no bands; the same in every frame
        noise = np.random.default_rng(7).random((height, width, 1), dtype=np.float32)
        self._noise = noise - np.float32(0.5)
        self._lit = self._plain

    def set_ground(self, camera: Camera, floor: Floor) -> None:
        """Put the pool of light where the ground is; the camera may circle it afterwards.

        Parameters
        ----------
        camera : Camera
        floor : Floor
        """
        cells = floor.cells
        at = (np.arange(cells) + 0.5) / cells * 2.0 - 1.0
        far = np.hypot(at[:, None], at[None, :])
        share = np.clip(1.0 - far, 0.0, 1.0)
        soft = (share * share * (3.0 - 2.0 * share)).astype(np.float32)
        wide = Floor(floor.centre, floor.height, 1.9 * floor.reach, cells)
        pool = ground_image(soft, camera, wide, self.size)[..., None] * self.finish.pool_share
        self._lit = self._plain * (1 - pool) + _tone(self.finish.pool) * pool

    def paint(self, camera: Camera, floor: Floor, shade: Singles | None) -> Singles:
        """Backdrop, ground and shadow.

        Parameters
        ----------
        camera : Camera
        floor : Floor
        shade : (cells, cells) array or None
            How dark the ground is, 0 to 1.

        Returns
        -------
        (height, width, 3) array
            sRGB, 0 to 255, with the parts of a step.
        """
        if shade is None:
            return self._lit + self._noise
        dark = ground_image(shade, camera, floor, self.size)[..., None]
        return self._lit + (_tone(self.finish.shadow) - self._lit) * dark + self._noise


def ground_image(grid: Singles, camera: Camera, floor: Floor, size: tuple[int, int]) -> Singles:
    """A grid on the ground, seen by a camera that is not rolled.

    Parameters
    ----------
    grid : (cells, cells) array
        Rows along z, columns along x.
    camera : Camera
    floor : Floor
    size : (width, height)
        Pixels of the picture.

    Returns
    -------
    (height, width) array
        0 beside the grid, above the horizon, and where the camera is under the ground.
    """
    width, height = size
    if camera.position[1] <= floor.height + 1e-6:
        return np.zeros((height, width), dtype=np.float32)
    to_picture = _plane_to_picture(camera, floor, size)
    back = np.linalg.inv(to_picture)
    first = int(np.clip(np.ceil(_horizon_row(camera, height)), 0, height))
    if first >= height:
        return np.zeros((height, width), dtype=np.float32)
    shifted = back @ np.array([[1, 0, 0], [0, 1, first], [0, 0, 1.0]])
    shifted /= shifted[2, 2]
    seen = Image.fromarray(np.ascontiguousarray(grid, dtype=np.float32)).transform(
        (width, height - first),
        Image.Transform.PERSPECTIVE,
        tuple(shifted.ravel()[:8]),
        Image.Resampling.BILINEAR,
    )
    image = np.zeros((height, width), dtype=np.float32)
    image[first:] = np.asarray(seen)
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


def _plane_to_picture(camera: Camera, floor: Floor, size: tuple[int, int]) -> Floats:
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
