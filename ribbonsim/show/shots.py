"""What a sheet shows: one pose from many sides, poses by angles, or layouts by poses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Array, Floats
from ribbonsim.bendcheck.cases import PoseList, Wish, wish_for, wishes, with_amounts
from ribbonsim.bendcheck.compare import LETTERS
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.checks import check_number
from ribbonsim.curves.up import upright
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendage_targets import ALL_TEST_POSES
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.pose import Pose
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.rig.take import Instant, Take
from ribbonsim.view.camera import View, telling_view

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
    row : int
        Shots of a row are seen from the same distance.
    """

    rig: Rig
    pose: Pose
    view: View
    row: int
    caption: str
    note: str = ""
    instant: Instant | None = None

    def skin(self, method: Method) -> Floats:
        """(V, 3) the creature as it is seen."""
        posed = self.rig.deform(self.pose, method)
        return posed if self.instant is None else self.instant.settled(posed)


@dataclass(frozen=True, eq=False)
class ShotList:
    """Pictures to be drawn, row by row.

    Parameters
    ----------
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

    def clouds(self, row: int) -> list[Array]:
        """Vertices of the poses of a row, one cloud for each layout."""
        shots = {(id(s.rig), id(s.pose)): s for s in self.shots if s.row == row}
        posed = (shot.skin(self.method) for shot in shots.values())
        return [np.asarray(cloud, dtype=float) for cloud in posed]

    def points(self, row: int) -> Array:
        """What the camera of a row has to see, from every side that it is seen from."""
        shots = [shot for shot in self.shots if shot.row == row]
        cloud = np.vstack(self.clouds(row))
        turns = sorted({shot.view.azimuth - shots[0].view.azimuth for shot in shots})
        if len(turns) == 1:
            return cloud
        middle = 0.5 * (cloud.min(axis=0) + cloud.max(axis=0))
        stand = upright(shots[0].view.up)
        around = (cloud - middle) @ stand.T
        return np.vstack([around @ _turn(angle).T @ stand + middle for angle in turns])


def list_shots(
    rigs: Rig | Sequence[Rig],
    poses: PoseList = None,
    angles: int | Sequence[float] | None = None,
    names: Sequence[str] | None = None,
    method: Method = "linear",
    elevation: float = ELEVATION,
) -> ShotList:
    """Say what is to be drawn."""
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


def list_moments(
    takes: Sequence[Take],
    count: int,
    azimuth: float | None,
    names: Sequence[str],
    method: Method,
    elevation: float,
) -> ShotList:
    """Say what is to be drawn of a motion: moments in a series, or below each layout's name."""
    first = takes[0]
    middle = first.instants(count)[count // 3].targets[BODY].frames[:, :3, 3]
    up = first.rig.layout.up
    side = telling_view(middle, elevation, up).azimuth if azimuth is None else azimuth
    view = View(side, elevation, up)
    shots = [
        Shot(
            take.rig,
            instant.pose,
            view,
            0,
            f"{instant.time:.2f} s",
            name if len(takes) > 1 else "",
            instant,
        )
        for take, name in zip(takes, names, strict=True)
        for instant in take.instants(count)
    ]
    motion = first.motion
    lead = f"{_capital(motion.shown)}: {motion.describes}, {count} moments of {motion.seconds:g} s"
    return ShotList(tuple(shots), (), ((motion.shown, ""),), lead, (), method)


def names_of(rigs: Sequence[Rig], names: Sequence[str] | None) -> tuple[str, ...]:
    """Names of layouts: as given, or their own where these tell them apart, or letters."""
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
    """See that rigs can be shown side by side."""
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
    """Read the poses that are to be shown."""
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
    return with_amounts(asked, Gauge(rig))


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
        Shot(
            rig,
            pose,
            View(angle, elevation, rig.layout.up),
            0,
            f"{angle:g}°",
            _SIDES.get(angle, ""),
        )
        for angle in angles
    ]
    count = "1 angle" if len(angles) == 1 else f"{len(angles)} angles"
    lead = f"{_capital(pose_words(wish))}, {count}"
    return ShotList(tuple(shots), (), ((wish.bare, amount_words(wish)),), lead, (wish,), method)


def _poses_by_angles(
    rig: Rig, asked: Sequence[Wish], angles: Sequence[float], method: Method, elevation: float
) -> ShotList:
    shots = []
    for row, wish in enumerate(asked):
        pose = pose_of(rig, wish)
        shots += [
            Shot(rig, pose, View(angle, elevation, rig.layout.up), row, wish.bare, f"{angle:g}°")
            for angle in angles
        ]
    heads = tuple(" ".join((f"{angle:g}°", _SIDES.get(angle, ""))).strip() for angle in angles)
    rows = tuple((wish.bare, amount_words(wish)) for wish in asked)
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
        view = (
            View(given[0], elevation, rigs[0].layout.up)
            if given
            else _telling(rigs[0], poses[0], elevation)
        )
        shots += [
            Shot(rig, pose, view, row, name, wish.bare)
            for rig, pose, name in zip(rigs, poses, names, strict=True)
        ]
    heads = tuple(
        name if name == letter else f"{letter}  {name}"
        for letter, name in zip(LETTERS, names, strict=False)
    )
    rows = tuple((wish.bare, amount_words(wish)) for wish in asked)
    what = pose_words(asked[0]) if len(asked) == 1 else f"{len(asked)} poses"
    lead = f"{len(rigs)} layouts, {what}"
    return ShotList(tuple(shots), heads, rows, lead, tuple(asked), method)


def _telling(rig: Rig, pose: Pose, elevation: float) -> View:
    midline = rig.pose_ribbon(pose).midline(np.linspace(0.0, 1.0, 65))
    return telling_view(midline, elevation, rig.layout.up)


def pose_of(rig: Rig, wish: Wish) -> Pose:
    """The pose that a wish means for a rig."""
    return rig.pose_for(wish.name, wish.amount) if wish.pose is None else wish.pose


def amount_words(wish: Wish) -> str:
    """How much of a test pose is asked for; nothing for a pose of controls."""
    if wish.pose is not None or wish.name not in ALL_TEST_POSES:
        return ""
    known = ALL_TEST_POSES[wish.name]
    unit, digits = _UNITS[known.unit]
    amount = known.usual if wish.amount is None else wish.amount
    if abs(amount) == 1.0:
        unit = unit.removesuffix("s")
    return f"{round(amount, digits):g}{unit}".replace("-", "\N{MINUS SIGN}")


def pose_words(wish: Wish) -> str:
    """Name and amount of a pose."""
    return " ".join(filter(None, (wish.bare, amount_words(wish))))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _turn(degrees: float) -> Array:
    """(3, 3) rotation about the up axis."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])
