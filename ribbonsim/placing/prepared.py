"""Prepared rigs: what a mesh needs once, on disk, and what each worker measures from it."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from ribbonsim.arrays import Floats
from ribbonsim.bendcheck.cases import Wish, measure_case
from ribbonsim.bendcheck.exact import exact_skin, motions_to
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.body.standing import standing_place, standing_seat
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.stamp import version
from ribbonsim.files.writing import open_input
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.layout.settings import Control
from ribbonsim.mesh.load import load_mesh
from ribbonsim.placing.asked import Asked, read_poses
from ribbonsim.placing.judge import vertex_areas
from ribbonsim.placing.plan import Recipe
from ribbonsim.rig.bind import bind, rebind
from ribbonsim.rig.first_layout import build_layout
from ribbonsim.rig.rig import Method, Rig

Row = dict[str, Any]


@dataclass(frozen=True)
class Task:
    """One layout of one mesh in all poses: names and numbers only.

    Parameters
    ----------
    prepared : str
        Path of the prepared rig.
    mesh : str
        Name of the mesh.
    recipe : Recipe
    method : {"linear", "dual_quaternion"}
    """

    prepared: str
    mesh: str
    recipe: Recipe
    method: Method

    @property
    def key(self) -> str:
        """What tells this task from all others, whatever machine it runs on."""
        words = [Path(self.prepared).name, self.method, version(), repr(asdict(self.recipe))]
        return hashlib.sha256("\n".join(words).encode()).hexdigest()[:24]


@dataclass(frozen=True, eq=False)
class Prepared:
    """A bound mesh with the skins that ride each pose exactly.

    Parameters
    ----------
    rig : Rig
    asked : tuple of Asked
    floors : tuple of (V, 3) arrays
        One for each pose.
    """

    rig: Rig
    asked: tuple[Asked, ...]
    floors: tuple[Floats, ...]


def prepare(mesh_path: str, folder: str, poses: Mapping[str, float | None]) -> tuple[str, str, str]:
    """Bind a mesh and put it on disk, if it is not there already.

    Parameters
    ----------
    mesh_path : str
    folder : str
        Of prepared rigs.
    poses : mapping of str to float or None
        All test poses if empty.

    Returns
    -------
    name, path, error : str
        Of the mesh; of the prepared rig, or empty; and what went wrong, or empty.
    """
    import joblib

    name = Path(mesh_path).stem
    try:
        told = hashlib.sha256(repr((sorted(poses.items()), version())).encode())
        with open_input(mesh_path) as stream:
            told.update(stream.read())
        path = Path(folder) / f"{name}-{told.hexdigest()[:12]}.joblib"
        if not path.exists():
            mesh = load_mesh(mesh_path)
            rig = bind(mesh, build_layout(mesh))
            asked = read_poses(Gauge(rig), poses or None)
            floors = tuple(
                exact_skin(rig, motions_to(rig, one.targets))[0].astype(np.float32) for one in asked
            )
            part = path.with_suffix(f".part{os.getpid()}")
            joblib.dump(Prepared(rig, asked, floors), part)
            part.replace(path)
    except RibbonsimError as error:
        return name, "", str(error)
    except OSError as error:
        return name, "", f"{mesh_path} cannot be read ({(error.strerror or str(error)).lower()})"
    return name, str(path), ""


@lru_cache(maxsize=4)
def _loaded(path: str) -> tuple[Prepared, Gauge]:
    """A prepared rig, mapped into memory; a worker keeps the last few."""
    import joblib

    found: Prepared = joblib.load(path, mmap_mode="r")
    return found, Gauge(found.rig)


def measured(task: Task) -> tuple[str, list[Row]]:
    """Measure one layout of one mesh in all poses.

    Parameters
    ----------
    task : Task

    Returns
    -------
    key : str
    rows : list of dict
        One for each pose; one that says why, if the layout does not fit the mesh.
    """
    prepared, gauge = _loaded(task.prepared)
    recipe = task.recipe
    head: Row = {"mesh": task.mesh, "layout": recipe.name}
    try:
        rig = rebind(prepared.rig, layout_of(recipe, prepared.rig))
    except RibbonsimError as error:
        return task.key, [{**head, "error": str(error)}]
    own = rig.layout.body
    head |= {
        "controls": len(own.controls),
        "stations": len(own.stations),
        "reach": float(np.mean([control.reach for control in own.controls])),
        "drive": rig.layout.drive,
    }
    rows, fresh, areas = [], Gauge(rig, gauge), vertex_areas(rig.mesh)
    for one, floor in zip(prepared.asked, prepared.floors, strict=True):
        rows.append({**head, **_figures(rig, fresh, one, floor, areas, task.method)})
    return task.key, rows


def _figures(
    rig: Rig, gauge: Gauge, one: Asked, floor: Floats, areas: Floats, method: Method
) -> Row:
    wish = Wish(one.name, one.wish.amount)
    case = measure_case(rig, gauge, wish, method, contacts=False, targets=one.targets)
    away = np.einsum("vi,vi->v", *2 * (np.asarray(case.positions - floor, dtype=float),))
    error = float(np.sqrt(away @ areas / areas.sum()) / rig.layout.ribbon.length)
    found = case.measures
    return {
        "pose": one.name,
        "amount": one.wish.amount,
        "skin_error": error,
        "shape_error": case.shape_error,
        "kink": case.sharpness[0],
        "folds": int(np.count_nonzero(found.folded)),
        "stretch": float(found.stretch[:, 0].max()),
        "squeeze": float(found.stretch[:, 1].min()),
        "girth_low": float(found.girth.min()),
        "girth_high": float(found.girth.max()),
        "volume": float(found.volume),
    }


def layout_of(recipe: Recipe, rig: Rig) -> Layout:
    """Put a recipe onto a mesh's own ribbon.

    Parameters
    ----------
    recipe : Recipe
    rig : Rig
        Bound to any layout of the mesh.

    Returns
    -------
    Layout

    Raises
    ------
    RibbonsimError
        If there are more controls than stations.
    """
    base = rig.layout
    ribbon = base.ribbon
    if isinstance(recipe.stations, int):
        stations: int | list[float] = recipe.stations
    else:
        places = ribbon.place_at(np.array(recipe.stations) * ribbon.length)
        stations = np.clip(places, 0.0, 1.0).tolist()
    own = OneRibbon.spread(ribbon, stations, recipe.controls)
    reaches = recipe.reaches * (len(own.controls) if len(recipe.reaches) == 1 else 1)
    controls = tuple(
        Control(control.name, control.station, reach)
        for control, reach in zip(own.controls, reaches, strict=True)
    )
    own = replace(own, controls=controls)
    stands = own.control_lengths
    seat = standing_seat(stands, standing_place(rig.mesh, ribbon, base.up), ribbon.length)
    layout = replace(base, body=own.with_root(seat + 1), name=recipe.name, poses={})
    return layout.with_drive("skinned" if recipe.drive == "skinned" else "shares")
