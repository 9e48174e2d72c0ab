"""Wavefront OBJ text of a quad mesh, the same on every run."""

from __future__ import annotations

import numpy as np
from quadcage import QuadMesh


def obj_text(mesh: QuadMesh, name: str, header: str) -> str:
    """Write OBJ text: comment lines, ``v``, ``vt``, then the quads of each group.

    Positions carry five decimals, a tenth of a micrometre for a mesh in centimetres;
    texture coordinates carry six.
    """
    lines = [f"# {line}" for line in header.splitlines()]
    lines.append(f"o {name}")
    # Adding zero turns -0.0 into 0.0, which prints without its sign.
    lines += [f"v {x:.5f} {y:.5f} {z:.5f}" for x, y, z in np.round(mesh.positions, 5) + 0.0]
    lines += [f"vt {u:.6f} {v:.6f}" for u, v in mesh.texcoords]
    corners = np.char.add(
        np.char.add((mesh.quads + 1).astype(str), "/"), (mesh.texture_quads + 1).astype(str)
    )
    for number, group in enumerate(mesh.group_names):
        lines.append(f"g {group}")
        lines += ["f " + " ".join(quad) for quad in corners[mesh.groups == number]]
    return "\n".join(lines) + "\n"
