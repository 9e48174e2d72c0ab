"""Demo creatures, each opened once in a test run: meshes and rigs do not change."""

from functools import cache
from pathlib import Path

from ribbonsim import bind, load_mesh
from ribbonsim.rig.first_layout import build_layout

MESHES = Path(__file__).resolve().parents[1] / "meshes"


@cache
def demo_mesh(name):
    """A demo creature by its name; what is found of a mesh, such as its guide, is kept with it."""
    return load_mesh(MESHES / f"{name}.obj")


@cache
def demo_rig(name):
    """A demo creature bound to its first layout."""
    mesh = demo_mesh(name)
    return bind(mesh, build_layout(mesh))
