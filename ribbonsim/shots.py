"""What a sheet shows: one pose from many sides, poses by angles, or layouts by poses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ribbonsim.appendage_targets import ALL_TEST_POSES
from ribbonsim.bendcheck.cases import PoseList, Wish, wish_for, wishes
from ribbonsim.bendcheck.compare import LETTERS
from ribbonsim.checks import check_number
from ribbonsim.errors import RibbonsimError
from ribbonsim.pose import Pose
from ribbonsim.rig import Method, Rig
from ribbonsim.view.camera import View, telling_view

Floats = NDArray[np.float64]

ELEVATION = 14.0
_ALONE, _BESIDE_POSES = 8, 4
_MOST_ANGLES, _MOST_LAYOUTS = 36, len(LETTERS)
_SIDES = {0.0: "front", 90.0: "side", 180.0: "back", 270.0: "other side"}
_UNITS = {"degrees": ("°", 0), "turns": (" turns", 2), "factor": (" ×", 2)}


@dataclass(frozen=True, eq=False)
class Shot:
    """One picture to be drawn.

    Parameters
    ----------
    rig : Rig
    pose : Pose
    view : View
    row : int
        Shots of a row are seen from the same distance.
    caption, note : str
    """

    rig: Rig
    pose: Pose
    view: View
    row: int
    caption: str
    note: str = ""


@dataclass(frozen=True, eq=False)
class ShotList:
    """Pictures to be drawn, row by row.

    Parameters
    ----------
    shots : tuple of Shot
    columns : tuple of str
        Heads of columns; empty for a series, which has captions instead.
    rows : tuple of (str, str)
        Name of each row and what it is.
    lead : str
        What all of it shows, in words.
    wishes : tuple of Wish
        The poses, one for each row, as the first rig is asked for them.
    method : {"linear", "dual_quaternion"}
    """

    shots: tuple[Shot, ...]
    columns: tuple[str, ...]
    rows: tuple[tuple[str, str], ...]
    lead: str
    wishes: tuple[Wish, ...]
    method: Method

    @property
    def rigs(self) -> tuple[Rig, ...]:
        """The rigs that are seen, each once."""
        return tuple(dict.fromkeys(shot.rig for shot in self.shots))

    @property
    def aspect(self) -> float:
        """Width over height of what is seen, the middle one of all rows."""
        shapes = []
        for row in range(len(self.rows)):
            view = next(shot.view for shot in self.shots if shot.row == row)
            seen = self.points(row) @ view.axes[:2].T
            width, height = np.ptp(seen, axis=0)
            shapes.append(float(width / max(height, 1e-9)))
        return float(np.clip(np.median(shapes), 0.25, 4.0))

    def clouds(self, row: int) -> list[Floats]:
        """Vertices of the poses of a row, one cloud for each layout.

        Parameters
        ----------
        row : int

        Returns
        -------
        list of (V, 3) arrays
            Scene units.
        """
        shots = {id(shot.rig): shot for shot in self.shots if shot.row == row}
        posed = (shot.rig.deform(shot.pose, self.method) for shot in shots.values())
        return [np.asarray(cloud, dtype=float) for cloud in posed]

    def points(self, row: int) -> Floats:
        """What the camera of a row has to see, from every side that it is seen from.

        Parameters
        ----------
        row : int

        Returns
        -------
        (n, 3) array
            Scene units. Turned copies of one another, so that every side of them is as large.
        """
        shots = [shot for shot in self.shots if shot.row == row]
        cloud = np.vstack(self.clouds(row))
        turns = sorted({shot.view.azimuth - shots[0].view.azimuth for shot in shots})
        if len(turns) == 1:
            return cloud
        middle = 0.5 * (cloud.min(axis=0) + cloud.max(axis=0))
        return np.vstack([(cloud - middle) @ _turn(angle).T + middle for angle in turns])


def list_shots(
    rigs: Rig | Sequence[Rig],
    poses: PoseList = None,
    angles: int | Sequence[float] | None = None,
    names: Sequence[str] | None = None,
    method: Method = "linear",
    elevation: float = ELEVATION,
) -> ShotList:
    """Say what is to be drawn.

    Parameters
    ----------
    rigs : Rig or sequence of Rig
        Several, up to six, are put side by side.
    poses : Pose, mapping, sequence of str or None
        As for :func:`ribbonsim.check`; None is the creature at rest. A name may also be that
        of a pose kept in the layout.
    angles : int or sequence of float, optional
        How many, evenly all round, or degrees from the front. Eight for one pose, four for
        several; layouts side by side are seen from the one side that shows the bend best, or
        from the one angle that is given.
    names : sequence of str, optional
        Of the layouts.
    method : {"linear", "dual_quaternion"}
    elevation : float
        Of the camera, degrees above the horizon.

    Returns
    -------
    ShotList

    Raises
    ------
    RibbonsimError
        If a pose is unknown, an angle cannot be used, or rigs do not go together.
    """
    held = [rigs] if isinstance(rigs, Rig) else list(rigs)
    check_rigs(held)
    check_number("elevation", elevation, -85.0, 85.0)
    asked = read_poses(held[0], poses)
    if len(held) > 1:
        return _layouts_by_poses(held, asked, angles, names_of(held, names), method, elevation)
    turns = _read_angles(angles, _ALONE if len(asked) == 1 else _BESIDE_POSES)
    if len(asked) == 1:
        return _series(held[0], asked[0], turns, method, elevation)
    return _poses_by_angles(held[0], asked, turns, method, elevation)


def names_of(rigs: Sequence[Rig], names: Sequence[str] | None) -> tuple[str, ...]:
    """Names of layouts: as given, or their own where these tell them apart, or letters.

    Parameters
    ----------
    rigs : sequence of Rig
    names : sequence of str or None

    Returns
    -------
    tuple of str

    Raises
    ------
    RibbonsimError
        If there are not as many names as rigs, or two are the same.
    """
    if names is not None:
        given = tuple(str(name) for name in names)
        if len(given) != len(rigs):
            raise RibbonsimError(
                f"{len(given)} names cannot stand for {len(rigs)} layouts: give one for each"
            )
        if len(set(given)) < len(given):
            raise RibbonsimError("two layouts have the same name: give different names")
        return given
    own = tuple(rig.layout.name for rig in rigs)
    return own if all(own) and len(set(own)) == len(own) else tuple(LETTERS[: len(rigs)])


def check_rigs(rigs: Sequence[Rig]) -> None:
    """See that rigs can be shown side by side.

    Parameters
    ----------
    rigs : sequence of Rig

    Raises
    ------
    RibbonsimError
        If there are none, too many, or they are of different meshes.
    """
    if not rigs:
        raise RibbonsimError("there is no rig to show: give one, or a list of up to six")
    if len(rigs) > _MOST_LAYOUTS:
        raise RibbonsimError(
            f"{len(rigs)} layouts are too many side by side: give {_MOST_LAYOUTS} at most"
        )
    for rig in rigs[1:]:
        if len(rig.mesh.positions) != len(rigs[0].mesh.positions):
            raise RibbonsimError(
                f"{rigs[0].mesh.name} and {rig.mesh.name} are different meshes: give layouts of one"
            )


def read_poses(rig: Rig, poses: PoseList) -> list[Wish]:
    """Read the poses that are to be shown.

    Parameters
    ----------
    rig : Rig
        Its layout may hold poses of its own.
    poses : Pose, mapping, sequence of str, str or None
        As in :func:`list_shots`.

    Returns
    -------
    list of Wish

    Raises
    ------
    RibbonsimError
        If a pose is unknown or there is none.
    """
    if poses is None:
        return [Wish("rest", pose=Pose())]
    if isinstance(poses, str):
        poses = [poses]
    if isinstance(poses, (Pose, Mapping)):
        asked = wishes(poses)
    else:
        kept = rig.layout.poses
        own = [name for name in poses if name in kept and name not in ALL_TEST_POSES]
        listed = {wish.name: wish for wish in wishes([n for n in poses if n not in own])}
        asked = [Wish(n, pose=kept[n]) if n in own else listed[n] for n in poses]
    if not asked:
        raise RibbonsimError("there is no pose to show: name one, or leave poses out for the rest")
    return asked


def _read_angles(angles: int | Sequence[float] | None, usual: int) -> list[float]:
    if angles is None or isinstance(angles, int):
        count = usual if angles is None else angles
        check_number("angles", count, 1, _MOST_ANGLES, whole=True)
        return [360.0 * k / count for k in range(count)]
    listed = list(angles)
    check_number("number of angles", len(listed), 1, _MOST_ANGLES)
    for angle in listed:
        check_number("angle in degrees", angle, -360.0, 360.0)
    return [float(angle) % 360.0 for angle in listed]


def _series(
    rig: Rig, wish: Wish, angles: Sequence[float], method: Method, elevation: float
) -> ShotList:
    pose = pose_of(rig, wish)
    shots = [
        Shot(rig, pose, View(angle, elevation), 0, f"{angle:g}°", _SIDES.get(angle, ""))
        for angle in angles
    ]
    count = "1 angle" if len(angles) == 1 else f"{len(angles)} angles"
    lead = f"{_capital(pose_words(wish))}, {count}"
    return ShotList(tuple(shots), (), ((wish.shown, amount_words(wish)),), lead, (wish,), method)


def _poses_by_angles(
    rig: Rig, asked: Sequence[Wish], angles: Sequence[float], method: Method, elevation: float
) -> ShotList:
    shots = []
    for row, wish in enumerate(asked):
        pose = pose_of(rig, wish)
        shots += [
            Shot(rig, pose, View(angle, elevation), row, wish.shown, f"{angle:g}°")
            for angle in angles
        ]
    heads = tuple(" ".join((f"{angle:g}°", _SIDES.get(angle, ""))).strip() for angle in angles)
    rows = tuple((wish.shown, amount_words(wish)) for wish in asked)
    count = "1 angle" if len(angles) == 1 else f"{len(angles)} angles"
    return ShotList(
        tuple(shots), heads, rows, f"{len(asked)} poses by {count}", tuple(asked), method
    )


def _layouts_by_poses(
    rigs: Sequence[Rig],
    asked: Sequence[Wish],
    angles: int | Sequence[float] | None,
    names: Sequence[str],
    method: Method,
    elevation: float,
) -> ShotList:
    given = None if angles in (None, 1) else _read_angles(angles, 1)
    if given is not None and len(given) != 1:
        raise RibbonsimError(
            f"{len(given)} angles cannot be shown of several layouts: give one angle, or one layout"
        )
    shots = []
    for row, wish in enumerate(asked):
        poses = [pose_of(rig, wish_for(wish, rigs[0], rig)) for rig in rigs]
        view = View(given[0], elevation) if given else _telling(rigs[0], poses[0], elevation)
        shots += [
            Shot(rig, pose, view, row, name, wish.shown)
            for rig, pose, name in zip(rigs, poses, names, strict=True)
        ]
    heads = tuple(
        name if name == letter else f"{letter}  {name}"
        for letter, name in zip(LETTERS, names, strict=False)
    )
    rows = tuple((wish.shown, amount_words(wish)) for wish in asked)
    what = pose_words(asked[0]) if len(asked) == 1 else f"{len(asked)} poses"
    lead = f"{len(rigs)} layouts, {what}"
    return ShotList(tuple(shots), heads, rows, lead, tuple(asked), method)


def _telling(rig: Rig, pose: Pose, elevation: float) -> View:
    return telling_view(rig.pose_ribbon(pose).midline(np.linspace(0.0, 1.0, 65)), elevation)


def pose_of(rig: Rig, wish: Wish) -> Pose:
    """The pose that a wish means for a rig.

    Parameters
    ----------
    rig : Rig
    wish : Wish

    Returns
    -------
    Pose
    """
    return rig.pose_for(wish.name, wish.amount) if wish.pose is None else wish.pose


def amount_words(wish: Wish) -> str:
    """How much of a test pose is asked for; nothing for a pose of controls.

    Parameters
    ----------
    wish : Wish

    Returns
    -------
    str
    """
    if wish.pose is not None or wish.name not in ALL_TEST_POSES:
        return ""
    known = ALL_TEST_POSES[wish.name]
    unit, digits = _UNITS[known.unit]
    amount = known.usual if wish.amount is None else wish.amount
    if abs(amount) == 1.0:
        unit = unit.removesuffix("s")
    return f"{round(amount, digits):g}{unit}".replace("-", "\N{MINUS SIGN}")


def pose_words(wish: Wish) -> str:
    """Name and amount of a pose.

    Parameters
    ----------
    wish : Wish

    Returns
    -------
    str
    """
    return " ".join(filter(None, (wish.shown, amount_words(wish))))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _turn(degrees: float) -> Floats:
    """(3, 3) rotation about the up axis."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])
