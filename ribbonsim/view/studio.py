"""The studio: a creature lit by lamps and sky, on a ground that fades, from any side.

The stage draws the creature in colours that have light and shade in them; the backdrop, the
ground and its shadow are painted behind it. Lamps go with the camera, as if the creature stood
on a turning plate.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from types import TracebackType
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ribbonsim.checks import check_choice, check_number
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh import CreatureMesh
from ribbonsim.ribbon import Ribbon
from ribbonsim.view.backdrop import Backdrop, Box, Cover, box_around
from ribbonsim.view.camera import VIEW_ANGLE, Camera, Insets, View, fit_camera
from ribbonsim.view.dome import (
    Floor,
    disc,
    facing_light,
    half_sphere,
    neighbour_mean,
    pick_samples,
    seen_from,
    towards,
)
from ribbonsim.view.fine_mesh import make_fine
from ribbonsim.view.finish import named_finish, to_display, to_linear
from ribbonsim.view.look import Scale
from ribbonsim.view.scene import Stage

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Bytes = NDArray[np.uint8]
Skin = Literal["clay", "two_tone", "wire"]
SKINS: tuple[Skin, ...] = ("clay", "two_tone", "wire")
Quality = Literal["fine", "draft"]

SMALLEST, LARGEST = 64, 4096
_FILL = 0.94
# shifts, in pixels, of pictures drawn at twice the size: four rows and columns of samples a pixel
_NUDGES = {"fine": ((-0.125, -0.125), (0.125, 0.125)), "draft": ((0.0, 0.0),)}
# the lamps, degrees: from the camera's side towards its right, and above the horizon
_KEY, _FILL_LAMP, _RIM = (-48.0, 46.0), (55.0, 12.0), (152.0, 34.0)
_WRAP = 0.18
_KEY_SHADE, _SKY_SHADE = 0.40, 0.95
# what comes in lower than this (y) is left out of the shade on the ground, which it only blurs
_LOW, _SKY_BLUR, _KEY_BLUR = 0.35, 3.0, 1.5
_SKY, _SKY_OVER_GROUND, _OVER_GROUND, _EVENED = 40, 260, 5000, 7
_OVERLAY = 0.88


@dataclass(frozen=True)
class Look:
    """What a studio picture looks like.

    Parameters
    ----------
    finish : {"fog", "paper", "dusk", "night"}
        Backdrop, light and material.
    skin : {"clay", "two_tone", "wire"}
        One tone, a tone for the body and one for its other parts, or clay with the edges of
        its polygons.
    ground : bool
        Show ground and shadow.
    quality : {"fine", "draft"}
        Eight samples a pixel, or four.
    """

    finish: str = "fog"
    skin: Skin = "clay"
    ground: bool = True
    quality: Quality = "fine"

    def __post_init__(self) -> None:
        named_finish(self.finish)
        check_choice("skin", self.skin, SKINS)
        check_choice("quality", self.quality, list(_NUDGES))


@dataclass(frozen=True, eq=False)
class Shot:
    """A finished picture.

    Parameters
    ----------
    picture : (height, width, 3) array of uint8
    mask : (height, width) array of uint8
        How much of each pixel the creature covers.
    """

    picture: Bytes
    mask: Bytes


@dataclass(frozen=True, eq=False)
class Posed:
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


class Studio:
    """Takes pictures of one creature. Keep it on the thread that made it, and close it.

    Parameters
    ----------
    mesh : CreatureMesh
        At rest.
    size : (width, height)
        Pixels.
    look : Look, optional

    Raises
    ------
    RibbonsimError
        If the size cannot be used, or this machine cannot draw.
    """

    def __init__(
        self,
        mesh: CreatureMesh,
        size: tuple[int, int] = (1280, 720),
        look: Look | None = None,
    ) -> None:
        for number in size:
            check_number("side of a picture in pixels", number, SMALLEST, LARGEST, whole=True)
        self.mesh, self.look = mesh, look or Look()
        self.size = (int(size[0]), int(size[1]))
        self.finish = named_finish(self.look.finish)
        self._fine = make_fine(mesh)
        self._centre, self._unit = mesh.centre, mesh.diagonal
        double = (2 * self.size[0], 2 * self.size[1])
        self._stage = Stage(self._fine.mesh, double, smooth_edges=False)
        self._stage.hurry(True)
        if self.look.skin == "wire":
            self._stage.show_edges(True, self._fine.edges)
        self._backdrop = Backdrop(self.size, self.finish)
        self._tones = self._part_tones()
        start = self._to_stage(self._fine.mesh.positions).astype(np.float32)
        self._wide = pick_samples(start, self._fine.mesh.triangles)
        self._even = neighbour_mean(self._fine.mesh.triangles, len(start))
        self._sky = half_sphere(_SKY)
        every = half_sphere(_SKY_OVER_GROUND)
        self._high_sky = every[every[:, 1] > _LOW]
        self._posed: Posed | None = None
        self._placed: Posed | None = None
        self._camera: Camera | None = None
        self._pivot = np.zeros(3)
        self._floor = Floor((0.0, 0.0), 0.0, 1.0)
        self.frame([mesh.positions])

    # -- from where ----------------------------------------------------------------------------

    def frame(
        self,
        clouds: Iterable[ArrayLike],
        elevation: float = 12.0,
        view_angle: float = VIEW_ANGLE,
        room: Insets | None = None,
        azimuths: Sequence[float] | None = None,
        fill: float = _FILL,
    ) -> None:
        """Stand the camera where all of some poses is seen, whichever way it goes round.

        Parameters
        ----------
        clouds : iterable of (n, 3) arrays
            Vertices of each pose, scene units.
        elevation : float
            Degrees above the horizon, -10 to 85.
        view_angle : float
            Degrees that the picture's height takes in, 5 to 90.
        room : Insets, optional
            Kept free at the borders.
        azimuths : sequence of float, optional
            The sides that it will be seen from, degrees; all of them if left out.
        fill : float
            Share of the free room that the creature takes, at most.
        """
        check_number("elevation", elevation, -10.0, 85.0)
        check_number("view angle", view_angle, 5.0, 90.0)
        outline = np.vstack([_outline(self._to_stage(cloud)) for cloud in clouds])
        low, high = outline.min(axis=0), outline.max(axis=0)
        middle = _centre_of_circle(outline[:, [0, 2]])
        self._pivot = np.array([middle[0], 0.5 * (low[1] + high[1]), middle[1]])
        radius = float(np.hypot(*(outline[:, [0, 2]] - middle).T).max())
        sides = np.arange(0.0, 360.0, 7.5) if azimuths is None else np.asarray(azimuths, float)
        around = outline - self._pivot
        seen = np.vstack([around @ _turn(-side).T for side in sides])
        width, height = self.size
        self._camera = fit_camera(
            seen, View(0.0, elevation), width / height, fill, room, view_angle
        )
        reach = 1.6 * max(radius, 0.35 * float(high[1] - low[1]))
        self._floor = Floor((float(middle[0]), float(middle[1])), float(low[1]), reach)
        self._backdrop.set_ground(self.camera(0.0), self._floor)
        self._posed = None

    def camera(self, azimuth: float) -> Camera:
        """The camera, gone round to an azimuth.

        Parameters
        ----------
        azimuth : float
            Degrees from the front, +Z, towards +X.

        Returns
        -------
        Camera
            In units of the stage.
        """
        if self._camera is None:
            raise RibbonsimError("the studio has no camera yet: frame something first")
        start = self._camera
        place = _turn(azimuth) @ start.position + self._pivot
        return replace(start, view=View(azimuth, start.view.elevation), position=place)

    def project(self, points: ArrayLike, azimuth: float) -> Floats:
        """Where points are in the picture.

        Parameters
        ----------
        points : (n, 3) array
            Scene units.
        azimuth : float
            Degrees.

        Returns
        -------
        (n, 2) array
            Pixels from the left and from the top.
        """
        return self.camera(azimuth).project(self._to_stage(points), self.size)[:, :2]

    # -- the picture ---------------------------------------------------------------------------

    def pose(self, positions: ArrayLike, normals: ArrayLike | None = None) -> Posed:
        """Put the creature into a pose.

        Parameters
        ----------
        positions : (V, 3) array
            Scene units.
        normals : (V, 3) array, optional
            Unit vertex normals; found if left out.

        Returns
        -------
        Posed
            May be given to :meth:`shoot` later, until something else is framed.
        """
        if normals is None:
            normals = self.mesh.with_positions(positions).vertex_normals
        fine, bent = self._fine.positions(positions), self._fine.normals(normals)
        points = self._to_stage(fine).astype(np.float32)
        corners = points[self._fine.mesh.triangles[self._wide]]
        samples = np.vstack([points, corners.mean(axis=1)]).astype(np.float32)
        facing = np.maximum(facing_light(bent, self._sky), 0.0)
        whole, share = self._reach(self._sky, facing, bent, samples)
        shade = None
        if self.look.ground:
            few = samples[:: max(1, len(samples) // _OVER_GROUND)]
            shade = self._floor.shade(self._high_sky, few, _SKY_BLUR)
        self._posed = Posed(fine, bent, points, samples, 2.0 * whole * share, share, shade)
        return self._posed

    def shoot(
        self,
        azimuth: float,
        ribbons: Sequence[Ribbon] | None = None,
        values: tuple[ArrayLike, Scale] | None = None,
        posed: Posed | None = None,
    ) -> Shot:
        """Take a picture of the creature as it was last posed.

        Parameters
        ----------
        azimuth : float
            Degrees from the front, +Z, towards +X.
        ribbons : sequence of Ribbon, optional
            Drawn over the creature, posed as it is.
        values : ((V,) array, Scale), optional
            Colour of the skin instead of the material's.
        posed : Posed, optional
            An earlier pose instead of the last.

        Returns
        -------
        Shot
        """
        held = posed or self._posed or self.pose(self.mesh.positions, self.mesh.vertex_normals)
        if held is not self._placed:
            self._stage.update(held.positions, held.normals)
            self._placed = held
        camera = self.camera(azimuth)
        colours, shade = self._light(held, azimuth, camera, values)
        self._stage.show_colours(colours)
        self._stage.show_ribbon(None)
        self._stage.set_camera(camera)
        covers = [self._cut_out(box_around(camera.project(held.points, self.size), self.size, 3))]
        if ribbons:
            covers.append(self._overlay(ribbons))
        picture = self._backdrop.paint(camera, self._floor, shade, covers)
        mask = np.zeros(picture.shape[:2], dtype=np.uint8)
        left, top, right, bottom = covers[0].box
        mask[top:bottom, left:right] = np.round(covers[0].pixels[..., 3])
        return Shot(picture, mask)

    def _overlay(self, ribbons: Sequence[Ribbon]) -> Cover:
        """The ribbons alone, to be laid over the creature."""
        self._stage.hide_skin()
        self._stage.show_edges(False)
        self._stage.show_ribbon(list(ribbons))
        cover = self._cut_out((0, 0, *self.size), _OVERLAY)
        self._stage.show_edges(self.look.skin == "wire", self._fine.edges)
        return cover

    def empty(self) -> Bytes:
        """The backdrop and the ground without the creature.

        Returns
        -------
        (height, width, 3) array of uint8
        """
        return self._backdrop.paint(self.camera(0.0), self._floor, None)

    def close(self) -> None:
        """Free the window; the studio cannot be used afterwards."""
        self._stage.close()

    def __enter__(self) -> Studio:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # -- inside --------------------------------------------------------------------------------

    def _to_stage(self, points: ArrayLike) -> Floats:
        return (np.asarray(points, dtype=float) - self._centre) / self._unit

    def _part_tones(self) -> Singles:
        """(V', 3) light that each vertex throws back."""
        tones = [to_linear(tone) for tone in self.finish.parts]
        if self.look.skin != "two_tone":
            return np.broadcast_to(tones[0], (len(self._fine.parts), 3))
        return np.stack(tones)[np.minimum(self._fine.parts, len(tones) - 1)]

    def _light(
        self,
        held: Posed,
        azimuth: float,
        camera: Camera,
        values: tuple[ArrayLike, Scale] | None,
    ) -> tuple[Bytes, Singles | None]:
        """Colours of the vertices, and the shade on the ground, with the lamps gone round."""
        finish = self.finish
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
        height = np.maximum(held.points[:, 1] - np.float32(self._floor.height), 0.0)
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
            shade = shade + _KEY_SHADE * self._floor.shade(key, held.samples, _KEY_BLUR)
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

    def _cut_out(self, box: Box, share: float = 1.0) -> Cover:
        """A part of the picture without its background, smooth at its edges."""
        left, top, right, bottom = box
        height = self.size[1]
        nudges = _NUDGES[self.look.quality]
        total = np.zeros((bottom - top, right - left, 4), dtype=np.uint16)
        for across, down in nudges:
            self._stage.nudge(2.0 * across, 2.0 * down)
            # rows come from the bottom
            rows = self._stage.cut_out()[2 * (height - bottom) : 2 * (height - top)]
            fine = rows[:, 2 * left : 2 * right].reshape(bottom - top, 2, right - left, 2, 4)
            pairs = np.add(fine[:, 0], fine[:, 1], dtype=np.uint16)
            total += pairs[:, :, 0]
            total += pairs[:, :, 1]
        return Cover(total[::-1] * np.float32(1.0 / (4 * len(nudges))), box, share)


def _soft(facing: Singles, wrap: float) -> Singles:
    """Light that reaches a little around the side."""
    return np.maximum((facing + np.float32(wrap)) / np.float32(1.0 + wrap), 0.0)


def _grazing(camera: Camera, points: Singles, normals: Singles) -> Singles:
    """1 where the surface turns away from the camera, 0 where it faces it."""
    rays = camera.position.astype(np.float32) - points
    rays /= np.sqrt(np.einsum("vi,vi->v", rays, rays))[:, None]
    away = 1.0 - np.clip(np.einsum("vi,vi->v", rays, normals), 0.0, 1.0)
    return away**4


def _turn(degrees: float) -> Floats:
    """(3, 3) rotation about the up axis."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def _outline(points: Floats) -> Floats:
    """Those points that are farthest in one of many directions, enough to frame all."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        return points[ConvexHull(points).vertices]
    except QhullError:  # flat or thin: few points would be saved anyhow
        return points


def _centre_of_circle(points: Floats) -> Floats:
    """Middle of a small circle around points in the plane.

    References
    ----------
    J. Ritter, "An efficient bounding sphere", *Graphics Gems*, 1990.
    """
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    step = 0.5
    for _ in range(400):
        far = points[np.argmax(np.hypot(*(points - middle).T))]
        middle = middle + step * (far - middle)
        step *= 0.97
    return middle
