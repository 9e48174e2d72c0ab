"""Telling names for appendages whose mesh file has no group for them."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.body.plane import SymmetryPlane
from ribbonsim.body.propose import Proposal
from ribbonsim.curves.up import Up, up_direction
from ribbonsim.layout.one_ribbon import free_name

_PLAIN = re.compile(r"appendage\d+")
# wider than thick by this factor, a limb is flat: a fin, an ear
_FLAT = 2.0
# nearer to the plane than this share of its length, a tip is on neither side
_MIDDLE = 0.15


def with_telling_names(
    proposals: Sequence[Proposal],
    positions: Array,
    plane: SymmetryPlane | None,
    up: Up,
    taken: Collection[str],
) -> list[Proposal]:
    """Rename proposals that are only numbered: by their shape, and by the side that they are on.

    Left is where the plane's normal points to the positive axis, as in a glTF file, whose
    creatures face +z with +y up (glTF 2.0, 3.4 Coordinate System and Units).
    """
    names = [*taken, *(p.name for p in proposals if not _PLAIN.fullmatch(p.name))]
    named: list[Proposal] = []
    for proposal in proposals:
        if _PLAIN.fullmatch(proposal.name):
            points = positions[proposal.vertices]
            name = _shape(points) + _side(proposal, positions[proposal.tip], plane, up)
            name = name if name not in names else _numbered(name, names)
            names.append(name)
            proposal = replace(proposal, name=name)
        named.append(proposal)
    return named


def _shape(points: Array) -> str:
    """What a limb looks like: flat or round."""
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return "fin" if len(spread) == 3 and spread[1] > _FLAT * spread[2] else "limb"


def _side(proposal: Proposal, tip: Array, plane: SymmetryPlane | None, up: Up) -> str:
    if plane is None:
        return ""
    sign = np.sign(plane.normal[np.argmax(np.abs(plane.normal))])
    away = float(sign * (tip @ plane.normal - plane.offset))
    if abs(away) > _MIDDLE * proposal.length:
        return "_l" if away > 0 else "_r"
    rises = float((proposal.guide[-1] - proposal.guide[0]) @ up_direction(up))
    if abs(rises) < 0.5 * proposal.length:
        return ""
    return "_top" if rises > 0 else "_below"


def _numbered(name: str, names: Sequence[str]) -> str:
    stem, _, side = name.rpartition("_")
    if not stem:
        return free_name(name, names)
    number = next(n for n in range(2, len(names) + 3) if f"{stem}{n}_{side}" not in names)
    return f"{stem}{number}_{side}"
