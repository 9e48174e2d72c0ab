"""Is there an OpenGL to draw with? Asked in a process of its own, as a missing one ends it."""

from __future__ import annotations

import os
import subprocess
import sys
from functools import cache

from ribbonsim.errors import RibbonsimError

_PROBE = """
from vtkmodules.vtkRenderingCore import vtkRenderer, vtkRenderWindow
from vtkmodules.vtkCommonCore import vtkUnsignedCharArray
import vtkmodules.vtkRenderingOpenGL2
window = vtkRenderWindow()
window.SetOffScreenRendering(1)
window.SetSize(8, 8)
renderer = vtkRenderer()
renderer.SetBackground(1.0, 1.0, 1.0)
window.AddRenderer(renderer)
window.Render()
pixels = vtkUnsignedCharArray()
window.GetPixelData(0, 0, 7, 7, 0, pixels, 0)
print("drawn" if pixels.GetValue(0) == 255 else "blank")
"""
_PATIENCE = 60.0


def choose_window() -> None:
    """Draw without a screen where there is none, instead of asking for one in vain.

    Sets ``VTK_DEFAULT_OPENGL_WINDOW`` unless it is set or a display is named; VTK reads it
    when its first window is made.
    """
    if sys.platform.startswith("linux") and not os.environ.get("DISPLAY"):
        os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")


@cache
def check_display() -> None:
    """Draw a small picture in another process, once, and complain if it cannot be done."""
    choose_window()
    try:
        answer = subprocess.run(
            [sys.executable, "-c", _PROBE],
            capture_output=True,
            text=True,
            timeout=_PATIENCE,
            check=False,
        ).stdout
    except subprocess.TimeoutExpired:
        answer = ""
    except OSError as error:
        raise RibbonsimError(
            f"the trial picture could not be started ({error.strerror}): free some memory"
        ) from error
    if "drawn" not in answer:
        raise RibbonsimError(
            "pictures cannot be drawn on this machine, as OpenGL is missing or broken: install it "
            "(on Debian and Ubuntu: apt install libegl1 libgl1-mesa-dri) and try again"
        )
