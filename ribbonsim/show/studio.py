"""The studio: a creature lit by lamps and sky, on a ground that fades, from any side.

The stage draws the creature in colours that have light and shade in them; the backdrop, the
ground and its shadow are painted behind it. Lamps go with the camera, as if the creature stood
on a turning plate.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.arrays import Array, Bytes
from ribbonsim.checks import check_choice, check_number
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.curves.up import Up, upright, upright_ribbon
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.show.backdrop import Backdrop, Box, Cover, box_around
from ribbonsim.show.dome import GroundGrid
from ribbonsim.show.fine_mesh import make_fine
from ribbonsim.show.finish import named_finish
from ribbonsim.show.lighting import Lighting, LitPose
from ribbonsim.view.camera import VIEW_ANGLE, Camera, Insets, View, fit_camera
from ribbonsim.view.look import Scale
from ribbonsim.view.scene import Stage

Skin = Literal["clay", "two_tone", "wire"]
SKINS: tuple[Skin, ...] = ("clay", "two_tone", "wire")
Quality = Literal["fine", "draft"]

SMALLEST, LARGEST = 64, 4096
_FILL = 0.94
# shifts, in pixels, of pictures drawn at twice the size: four rows and columns of samples a pixel
_NUDGES = {"fine": ((-0.125, -0.125), (0.125, 0.125)), "draft": ((0.0, 0.0),)}
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
class StudioPicture:
    """A finished picture.

    Parameters
    ----------
    picture : (height, width, 3) array of uint8
    mask : (height, width) array of uint8
        How much of each pixel the creature covers.
    """

    picture: Bytes
    mask: Bytes


class Studio:
    """Takes pictures of one creature. Keep it on the thread that made it, and close it.

    Parameters
    ----------
    mesh : CreatureMesh
        At rest.
    size : (width, height)
        Pixels.
    up : {"y", "z", "x", "-y", "-z", "-x"}
        The axis that points up. Inside, everything is stood upright: y is up.

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
        up: Up = "y",
    ) -> None:
        for number in size:
            check_number("side of a picture in pixels", number, SMALLEST, LARGEST, whole=True)
        self._up, self._upright = up, upright(up)
        self.mesh, self.look = mesh.with_positions(self._stood(mesh.positions)), look or Look()
        self.size = (int(size[0]), int(size[1]))
        self.finish = named_finish(self.look.finish)
        self._fine = make_fine(self.mesh)
        self._centre, self._unit = self.mesh.centre, mesh.diagonal
        double = (2 * self.size[0], 2 * self.size[1])
        self._stage = Stage(self._fine.mesh, double, smooth_edges=False)
        self._stage.hurry(True)
        if self.look.skin == "wire":
            self._stage.show_edges(True, self._fine.edges)
        self._backdrop = Backdrop(self.size, self.finish)
        at_rest = self._to_stage(self._fine.mesh.positions)
        two_tones = self.look.skin == "two_tone"
        self._lighting = Lighting(self._fine, at_rest, self.finish, two_tones)
        self._posed: LitPose | None = None
        self._placed: LitPose | None = None
        self._camera: Camera | None = None
        self._pivot = np.zeros(3)
        self._floor = GroundGrid((0.0, 0.0), 0.0, 1.0)
        self._at_rest = mesh.positions
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
        """Stand the camera where all of some poses is seen, whichever way it goes round."""
        check_number("elevation", elevation, -10.0, 85.0)
        check_number("view angle", view_angle, 5.0, 90.0)
        outline = np.vstack([_outline(self._to_stage(self._stood(cloud))) for cloud in clouds])
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
        self._floor = GroundGrid((float(middle[0]), float(middle[1])), float(low[1]), reach)
        self._backdrop.set_ground(self.camera(0.0), self._floor)
        self._posed = None

    def camera(self, azimuth: float) -> Camera:
        """The camera, gone round to an azimuth."""
        if self._camera is None:
            raise RibbonsimError("the studio has no camera yet: frame something first")
        start = self._camera
        place = _turn(azimuth) @ start.position + self._pivot
        return replace(start, view=View(azimuth, start.view.elevation), position=place)

    def project(self, points: ArrayLike, azimuth: float) -> Array:
        """Where points are in the picture."""
        return self.camera(azimuth).project(self._to_stage(self._stood(points)), self.size)[:, :2]

    # -- the picture ---------------------------------------------------------------------------

    def pose(self, positions: ArrayLike, normals: ArrayLike | None = None) -> LitPose:
        """Put the creature into a pose."""
        stood = self._stood(positions)
        if normals is None:
            normals = self.mesh.with_positions(stood).vertex_normals
        else:
            normals = self._stood(normals)
        fine, bent = self._fine.positions(stood), self._fine.normals(normals)
        floor = self._floor if self.look.ground else None
        self._posed = self._lighting.pose(fine, bent, self._to_stage(fine), floor)
        return self._posed

    def shoot(
        self,
        azimuth: float,
        ribbons: Sequence[Ribbon] | None = None,
        values: tuple[ArrayLike, Scale] | None = None,
        posed: LitPose | None = None,
    ) -> StudioPicture:
        """Take a picture of the creature as it was last posed."""
        held = posed or self._posed or self.pose(self._at_rest)
        if held is not self._placed:
            self._stage.update(held.positions, held.normals)
            self._placed = held
        camera = self.camera(azimuth)
        colours, shade = self._lighting.light(held, azimuth, camera, self._floor, values)
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
        return StudioPicture(picture, mask)

    def _overlay(self, ribbons: Sequence[Ribbon]) -> Cover:
        """The ribbons alone, to be laid over the creature."""
        self._stage.hide_skin()
        self._stage.show_edges(False)
        self._stage.show_ribbon([upright_ribbon(ribbon, self._up) for ribbon in ribbons])
        cover = self._cut_out((0, 0, *self.size), _OVERLAY)
        self._stage.show_edges(self.look.skin == "wire", self._fine.edges)
        return cover

    def empty(self) -> Bytes:
        """(height, width, 3) the backdrop and the ground without the creature."""
        return self._backdrop.paint(self.camera(0.0), self._floor, None)

    def close(self) -> None:
        """Free the window; the studio cannot be used afterwards."""
        self._stage.close()

    def __enter__(self) -> Studio:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- inside --------------------------------------------------------------------------------

    def _stood(self, points: ArrayLike) -> Array:
        """Points or directions of the scene, stood upright; the kind of float is kept."""
        given = np.asarray(points)
        return given if self._up == "y" else given @ self._upright.T.astype(given.dtype)

    def _to_stage(self, points: ArrayLike) -> Array:
        return (np.asarray(points, dtype=float) - self._centre) / self._unit

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


def _turn(degrees: float) -> Array:
    """(3, 3) rotation about the up axis."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def _outline(points: Array) -> Array:
    """Those points that are farthest in one of many directions, enough to frame all."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        return points[ConvexHull(points).vertices]
    except QhullError:  # flat or thin: few points would be saved anyhow
        return points


def _centre_of_circle(points: Array) -> Array:
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
