"""Light on a creature: three lamps that go with the camera, a sky, and the ground that glows back.

Shadows are found once for each pose where they come from the sky, and for each side that the
creature is seen from where they come from a lamp.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.arrays import Array, Bytes, Singles
from ribbonsim.show.dome import (
    GroundGrid,
    disc,
    facing_light,
    half_sphere,
    neighbour_mean,
    pick_samples,
    seen_from,
    towards,
)
from ribbonsim.show.fine_mesh import FineMesh
from ribbonsim.show.finish import Finish, to_display, to_linear
from ribbonsim.view.camera import Camera
from ribbonsim.view.look import Scale

# the lamps, degrees: from the camera's side towards its right, and above the horizon
_KEY, _FILL_LAMP, _RIM = (-48.0, 46.0), (55.0, 12.0), (152.0, 34.0)
_WRAP = 0.18
_KEY_SHADE, _SKY_SHADE = 0.40, 0.95
# what comes in lower than this (y) is left out of the shade on the ground, which it only blurs
_LOW, _SKY_BLUR, _KEY_BLUR = 0.35, 3.0, 1.5
_SKY, _SKY_OVER_GROUND, _OVER_GROUND, _EVENED = 40, 260, 5000, 7


@dataclass(frozen=True, eq=False)
class LitPose:
    """A creature in a pose, and the light on it that does not depend on the camera.

    Parameters
    ----------
    positions, normals : (V', 3) arrays
        Of the vertices that are drawn, scene units.
    points : (V', 3) array
        Positions in units of the stage.
    samples : (m, 3) array
        Points that throw shadows, in units of the stage.
    open_sky : (V',) array
        Light from the sky.
    open_share : (V',) array
        Share of the sky that is seen.
    shade : (cells, cells) array or None
        On the ground.
    """

    positions: Singles
    normals: Singles
    points: Singles
    samples: Singles
    open_sky: Singles
    open_share: Singles
    shade: Singles | None

    @property
    def surface(self) -> tuple[Singles, Singles]:
        """Normals and samples."""
        return self.normals, self.samples


class Lighting:
    """The lamps and the sky of a studio.

    Parameters
    ----------
    at_rest : (V', 3) array
        Vertices of the fine mesh, units of the stage.
    two_tones : bool
        Parts other than the body have a tone of their own.
    """

    def __init__(self, fine: FineMesh, at_rest: Array, finish: Finish, two_tones: bool) -> None:
        self._fine, self._finish = fine, finish
        tones = [to_linear(tone) for tone in finish.parts]
        kept = tones if two_tones else tones[:1]
        self._tones = np.stack(kept)[np.minimum(fine.parts, len(kept) - 1)]
        start = at_rest.astype(np.float32)
        self._wide = pick_samples(start, fine.mesh.triangles)
        self._even = neighbour_mean(fine.mesh.triangles, len(start))
        self._sky = half_sphere(_SKY)
        every = half_sphere(_SKY_OVER_GROUND)
        self._high_sky = every[every[:, 1] > _LOW]

    def pose(
        self, fine: Singles, bent: Singles, staged: Array, floor: GroundGrid | None
    ) -> LitPose:
        """Light a pose from the sky; the arrays are positions, normals and stage positions."""
        points = staged.astype(np.float32)
        corners = points[self._fine.mesh.triangles[self._wide]]
        samples = np.vstack([points, corners.mean(axis=1)]).astype(np.float32)
        facing = np.maximum(facing_light(bent, self._sky), 0.0)
        whole, share = self._reach(self._sky, facing, bent, samples)
        shade = None
        if floor is not None:
            few = samples[:: max(1, len(samples) // _OVER_GROUND)]
            shade = floor.shade(self._high_sky, few, _SKY_BLUR)
        return LitPose(fine, bent, points, samples, 2.0 * whole * share, share, shade)

    def light(
        self,
        held: LitPose,
        azimuth: float,
        camera: Camera,
        floor: GroundGrid,
        values: tuple[ArrayLike, Scale] | None,
    ) -> tuple[Bytes, Singles | None]:
        """Colours of the vertices, and the shade on the ground, with the lamps gone round."""
        finish = self._finish
        key = disc(azimuth + _KEY[0], _KEY[1], 8.0, 14)
        rim = disc(azimuth + _RIM[0], _RIM[1], 12.0, 5)
        whole, share = self._reach(
            key, _soft(facing_light(held.normals, key), _WRAP), *held.surface
        )
        bright = whole * share
        whole, share = self._reach(
            rim, np.maximum(facing_light(held.normals, rim), 0.0), *held.surface
        )
        edge = whole * share
        lamp = towards(azimuth + _FILL_LAMP[0], _FILL_LAMP[1])
        aside = _soft(facing_light(held.normals, lamp[None])[0], 0.4)
        height = np.maximum(held.points[:, 1] - np.float32(floor.height), 0.0)
        below = (0.5 - 0.5 * held.normals[:, 1]) * (1.0 - 0.85 * np.exp(-height / 0.06))
        sheen = 0.35 * _grazing(camera, held.points, held.normals) * held.open_share
        amounts = np.stack(
            [bright, aside * held.open_share, edge + sheen, held.open_sky, below], axis=1
        )
        lamps = np.stack(
            [
                to_linear(code) * np.float32(strength)
                for code, strength in zip(
                    (finish.key, finish.fill, finish.rim, finish.sky, finish.ground),
                    finish.strength,
                    strict=True,
                )
            ]
        )
        light = np.pi / 2 * (amounts.astype(np.float32) @ lamps)
        shade = None
        if held.shade is not None:
            shade = _SKY_SHADE * held.shade
            shade = shade + _KEY_SHADE * floor.shade(key, held.samples, _KEY_BLUR)
            shade = np.clip(shade, 0.0, 1.0)
        if values is None:
            return to_display(light * self._tones), shade
        numbers, scale = values
        base = scale.colours(self._fine.spread @ np.asarray(numbers, dtype=np.float32))
        # colours are to be read off a scale, so light and shade change them little
        tone = np.clip(0.62 + 0.4 * light.mean(axis=1), 0.0, 1.06)[:, None]
        return np.clip(base * tone, 0.0, 255.0).astype(np.uint8), shade

    def _reach(
        self, directions: Singles, facing: Singles, normals: Singles, samples: Singles
    ) -> tuple[Singles, Singles]:
        """Mean light if nothing were in its way, and the share that gets through."""
        seen = seen_from(directions, normals, samples)
        whole = facing.mean(axis=0)
        seen *= facing
        share = seen.mean(axis=0) / np.maximum(whole, np.float32(1e-3))
        for _ in range(_EVENED):
            share = self._even @ share
        return whole, share


def _soft(facing: Singles, wrap: float) -> Singles:
    """Light that reaches a little around the side."""
    return np.maximum((facing + np.float32(wrap)) / np.float32(1.0 + wrap), 0.0)


def _grazing(camera: Camera, points: Singles, normals: Singles) -> Singles:
    """1 where the surface turns away from the camera, 0 where it faces it."""
    rays = camera.position.astype(np.float32) - points
    rays /= np.sqrt(np.einsum("vi,vi->v", rays, rays))[:, None]
    away = 1.0 - np.clip(np.einsum("vi,vi->v", rays, normals), 0.0, 1.0)
    return away**4
