"""What importing loads; in processes of their own."""

import json
import subprocess
import sys

HEAVY = ("pyvista", "vtkmodules", "ipywidgets", "matplotlib", "PIL", "jinja2", "click", "rich",
         "pxr", "trimesh", "pydantic")  # fmt: skip


def loaded_after(code):
    """Names of the modules that a fresh interpreter holds after running code."""
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport json, sys\nprint(json.dumps(sorted(sys.modules)))"],
        capture_output=True,
        text=True,
        check=True,
    )
    return json.loads(done.stdout)


def roots(modules):
    return {module.split(".")[0] for module in modules}


def test_import_of_the_package_loads_neither_scipy_nor_a_screen():
    modules = roots(loaded_after("import ribbonsim"))
    assert "ribbonsim" in modules
    assert not modules & {"scipy", "numpy", *HEAVY}


def test_the_core_loads_no_screen_and_no_command_line():
    code = """
import ribbonsim as rs
rs.bind, rs.Rig, rs.Layout, rs.Pose, rs.find_guide, rs.Ribbon, rs.load_mesh, rs.make_target
"""
    modules = roots(loaded_after(code))
    assert "scipy" in modules
    assert not modules & {
        "pyvista",
        "vtkmodules",
        "ipywidgets",
        "matplotlib",
        "click",
        "rich",
        "pxr",
    }


def test_every_public_name_can_be_had():
    code = """
import ribbonsim as rs
for name in rs.__all__:
    getattr(rs, name)
    assert name in dir(rs)
"""
    assert "ribbonsim.rig.rig" in loaded_after(code)


def test_a_name_that_is_not_there_is_an_attribute_error():
    code = """
import ribbonsim as rs
try:
    rs.nothing
except AttributeError as error:
    assert "nothing" in str(error)
else:
    raise SystemExit(1)
"""
    assert "ribbonsim" in loaded_after(code)
