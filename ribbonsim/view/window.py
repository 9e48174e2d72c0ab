"""The window that nobody sees: lamps, camera, and pictures read from where they are drawn."""

from __future__ import annotations

import threading
from typing import Any

import numpy as np

from ribbonsim.arrays import Bytes
from ribbonsim.view import look
from ribbonsim.view.backend import check_display
from ribbonsim.view.camera import Camera


class Window:
    """Draws what is added to it off screen; raises RibbonsimError if this machine cannot.

    Parameters
    ----------
    size : (width, height)
        Pixels.
    """

    def __init__(self, size: tuple[int, int]) -> None:
        check_display()
        import pyvista
        from vtkmodules.vtkCommonCore import vtkUnsignedCharArray

        pyvista.OFF_SCREEN = True
        self.pv: Any = pyvista
        self._lock = threading.RLock()
        self._pixels: Any = vtkUnsignedCharArray()
        self._size, self._lines = size, list[tuple[Any, float]]()
        self._line_scale = max(1.0, size[1] / 900.0)
        self.plotter: Any = self.pv.Plotter(
            off_screen=True, window_size=list(size), lighting="none"
        )
        # the picture is read from where it is drawn; no window shows it
        self.plotter.render_window.SetFrameBlitModeToNoBlit()
        self.plotter.render_window.SetAlphaBitPlanes(1)
        self._paint_background()
        for lamp in look.LAMPS:
            self.plotter.add_light(
                pyvista.Light(
                    position=lamp.position,
                    color=lamp.colour,
                    intensity=lamp.intensity,
                    light_type="camera light",
                )
            )

    def _paint_background(self) -> None:
        self.plotter.set_background(look.BACKGROUND_BOTTOM, top=look.BACKGROUND_TOP)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of pictures in pixels."""
        return self._size

    def resize(self, size: tuple[int, int]) -> None:
        """Make pictures of another size from now on, in a window of that size."""
        self.plotter.window_size = list(size)
        self.draw_within(size)

    def draw_within(self, size: tuple[int, int]) -> None:
        """Make pictures of another size from now on, in a corner of the window as it is.

        A window of another size takes as long as many pictures.
        """
        room = self.plotter.window_size
        self.plotter.renderer.SetViewport(0.0, 0.0, size[0] / room[0], size[1] / room[1])
        self._size = size

    def scale_lines(self, scale: float) -> None:
        """Draw lines so many times as wide from now on, none thinner than a pixel."""
        self._line_scale = scale
        for actor, width in self._lines:
            actor.prop.line_width = max(1.0, width * scale)

    def smooth_edges(self, on: bool) -> None:
        """Take several samples a pixel, or one."""
        if on:
            self.plotter.enable_anti_aliasing("msaa", multi_samples=8)
        else:
            self.plotter.disable_anti_aliasing()

    def set_camera(self, camera: Camera) -> None:
        """Take a camera as it stands."""
        eye = self.plotter.camera
        eye.position = tuple(camera.position)
        eye.focal_point = tuple(camera.position - camera.axes[2])
        eye.up = tuple(camera.axes[1])
        eye.view_angle = camera.view_angle
        eye.SetWindowCenter(0.0, 0.0)

    def nudge(self, right: float, down: float) -> None:
        """Shift what is seen by parts of a pixel, until a camera is set."""
        width, height = self.size
        self.plotter.camera.SetWindowCenter(-2.0 * right / width, 2.0 * down / height)

    # -- what is drawn -------------------------------------------------------------------------

    def add(self, data: Any, colour: str, surface: look.Material | None, width: float = 1.0) -> Any:
        """Add a piece and return its actor; without a surface it is lines in one flat colour."""
        mapper = self.pv.DataSetMapper(dataset=data)
        mapper.SetScalarVisibility(False)
        actor = self.pv.Actor(mapper=mapper)
        actor.prop.color = colour
        actor.prop.line_width = max(1.0, width * self._line_scale)
        self._lines.append((actor, width))
        if surface is None:  # lines lie on a surface and have to win over it
            mapper.SetResolveCoincidentTopologyToPolygonOffset()
            mapper.SetRelativeCoincidentTopologyLineOffsetParameters(-4.0, -2000.0)
            actor.prop.lighting = False
        else:
            set_surface(actor.prop, surface)
        self.plotter.add_actor(actor, reset_camera=False, render=False)
        return actor

    def remove(self, actor: Any) -> None:
        """Take a piece away."""
        self.plotter.remove_actor(actor, render=False)
        self._lines = [line for line in self._lines if line[0] is not actor]

    # -- the picture ---------------------------------------------------------------------------

    def picture(self) -> Bytes:
        """(height, width, 3) what is seen, rows from the top."""
        width, height = self.size
        window = self.plotter.render_window
        with self._lock:
            self._render()
            window.GetPixelData(0, 0, width - 1, height - 1, 0, self._pixels, 0)
            rows = self.pv.convert_array(self._pixels).reshape(height, width, 3)
            picture = np.ascontiguousarray(rows[::-1])
            # a context belongs to the thread that holds it; the next picture may be another's
            window.ReleaseCurrent()
        return picture

    def cut_out(self) -> Bytes:
        """(height, width, 4) what is seen without a background, rows from the bottom.

        Red, green and blue are multiplied by opacity. The next picture overwrites it.
        """
        width, height = self.size
        window, renderer = self.plotter.render_window, self.plotter.renderer
        with self._lock:
            self.plotter.set_background("black")
            renderer.SetBackgroundAlpha(0.0)
            self._render()
            self._paint_background()
            renderer.SetBackgroundAlpha(1.0)
            window.GetRGBACharPixelData(0, 0, width - 1, height - 1, 0, self._pixels)
            window.ReleaseCurrent()
        return self.pv.convert_array(self._pixels).reshape(height, width, 4)

    def _render(self) -> None:
        self.plotter.renderer.ResetCameraClippingRange()
        self.plotter.render_window.Render()

    def close(self) -> None:
        """Free the window; it cannot be used afterwards."""
        self.plotter.close()


def set_surface(prop: Any, surface: look.Material) -> None:
    """Give a piece the way in which it throws back light."""
    prop.SetAmbient(surface.ambient)
    prop.SetDiffuse(surface.diffuse)
    prop.SetSpecular(surface.specular)
    prop.SetSpecularPower(surface.specular_power)
