"""The scene: one creature on one stage, posed, coloured and seen again and again."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from types import TracebackType
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh import CreatureMesh
from ribbonsim.ribbon import Ribbon
from ribbonsim.view import look
from ribbonsim.view.backend import check_display
from ribbonsim.view.camera import FILL, Camera, Insets, View, fit_camera, named_view
from ribbonsim.view.light import lit_colours
from ribbonsim.view.overlay import Layer, write_over

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]
Skin = Literal["clay", "values", "glass", "hidden"]

_ALONG_SPAN = 12
_GLASS_FACING, _GLASS_EDGE = 0.10, 0.62
_EDGE_OPACITY = 0.3
_DENSE = 4000
_UNLIT = look.Surface(ambient=0.0, diffuse=1.0, specular=0.0, specular_power=1.0)


class Stage:
    """A creature on a lit stage, drawn off screen.

    The picture is made when :meth:`image` asks for it; what changes between two pictures is
    only marked. Positions, normals and colours are written over the old ones, so a stage
    serves a live panel as well as a row of pictures. Use it in a ``with`` block or call
    :meth:`close`; keep one open at a time.

    Parameters
    ----------
    mesh : CreatureMesh
        At rest; its polygons stay.
    size : (width, height)
        Pixels.
    smooth_edges : bool
        Take several samples a pixel.

    Raises
    ------
    RibbonsimError
        If this machine cannot draw.
    """

    def __init__(
        self, mesh: CreatureMesh, size: tuple[int, int] = (1280, 900), smooth_edges: bool = True
    ) -> None:
        check_display()
        import pyvista
        from vtkmodules.vtkCommonCore import vtkUnsignedCharArray

        pyvista.OFF_SCREEN = True
        self.mesh = mesh
        self.layer = Layer()
        self._lock = threading.RLock()
        self._used = np.unique(mesh.triangles)
        # single precision serves a unit-sized creature at the origin, whatever the scene's units
        self._centre, self._unit = mesh.centre, mesh.diagonal
        self._pv: Any = pyvista
        self._pixels: Any = vtkUnsignedCharArray()
        self._plotter: Any = self._pv.Plotter(
            off_screen=True, window_size=list(size), lighting="none"
        )
        # the picture is read from where it is drawn; no window shows it
        self._plotter.render_window.SetFrameBlitModeToNoBlit()
        self._plotter.render_window.SetAlphaBitPlanes(1)
        self._plotter.set_background(look.BACKGROUND_BOTTOM, top=look.BACKGROUND_TOP)
        for lamp in look.LAMPS:
            self._plotter.add_light(
                self._pv.Light(
                    position=lamp.position,
                    color=lamp.colour,
                    intensity=lamp.intensity,
                    light_type="camera light",
                )
            )
        self.smooth_edges(smooth_edges)
        self._skin: Skin = "clay"
        one_piece = int(mesh.components.max()) == 0
        self._solid = mesh.is_closed and one_piece and mesh.volume > 0.0
        self._near_side = self._light_vertices = False
        self._painted: tuple[Any, look.Surface, str] | None = None
        self._body, self._body_actor = self._add_creature(look.CLAY, look.CLAY_SURFACE)
        self._edges: tuple[Any, Any] | None = None
        self._ghost: Any = None
        self._ghost_positions = self._ghost_normals = np.zeros((0, 3))
        self._ghost_actor: Any = None
        self._ribbon_parts: list[tuple[Any, Any]] = []
        self._ribbon_spans: tuple[int, ...] = ()
        self._camera: Camera | None = None
        self.update(mesh.positions, mesh.vertex_normals)
        self.set_view("three_quarter")

    # -- what stands on the stage ------------------------------------------------------------

    def update(self, positions: ArrayLike, normals: ArrayLike | None = None) -> None:
        """Move the creature's vertices.

        Parameters
        ----------
        positions : (V, 3) array
            Scene units.
        normals : (V, 3) array, optional
            Unit vertex normals; found anew if left out.
        """
        self._positions = np.asarray(positions)
        if normals is None:
            normals = self.mesh.with_positions(self._positions).vertex_normals
        self._normals = np.asarray(normals)
        self._move(self._body, self._positions, self._normals)
        self._move_edges()

    def show_clay(self) -> None:
        """Show the skin as clay."""
        self._dress("clay", look.CLAY_SURFACE, scalars=False)
        if self._light_vertices:
            self._paint(np.array(look.colour(look.CLAY), dtype=np.float32), look.CLAY_SURFACE)

    def show_values(self, values: ArrayLike, scale: look.Scale) -> None:
        """Show a value at each vertex as a colour, with the scale's bar in the picture.

        Parameters
        ----------
        values : (V,) array
        scale : Scale
        """
        colours = np.full((len(self.mesh.positions), 4), 255, dtype=np.uint8)
        colours[:, :3] = scale.colours(values)
        self._colour(colours)
        self._dress("values", look.VALUE_SURFACE, scalars=True)
        if self._light_vertices:
            base = (colours[:, :3] / np.float32(255.0)).astype(np.float32)
            self._paint(base, look.VALUE_SURFACE)
        self.layer.scale = scale

    def show_colours(self, colours: Bytes) -> None:
        """Show the skin in colours that have light and shade in them already.

        Parameters
        ----------
        colours : (V, 3) array of uint8
        """
        painted = np.full((len(self.mesh.positions), 4), 255, dtype=np.uint8)
        painted[:, :3] = colours
        self._colour(painted)
        self._dress("values", _UNLIT, scalars=True)
        self._body_actor.GetProperty().LightingOff()

    def show_glass(self) -> None:
        """Show the skin as glass: clear where it faces the camera, darker at its outline."""
        self._dress("glass", look.GLASS_SURFACE, scalars=True)

    def hide_skin(self) -> None:
        """Show no skin."""
        self._skin = "hidden"
        self._body_actor.SetVisibility(False)

    def hurry(self, on: bool) -> None:
        """Draw quicker from now on, nearly the same.

        What turns away from the camera is left out where a closed skin hides it anyhow; where
        a pose turns the skin inside out, the place is left out too. On a dense mesh light is
        worked out at the vertices. Takes effect when the skin is shown the next time.

        Parameters
        ----------
        on : bool
        """
        self._near_side = on and self._solid
        self._light_vertices = on and len(self._used) >= _DENSE

    def show_edges(self, on: bool, edges: NDArray[np.int64] | None = None) -> None:
        """Draw the edges of the polygons.

        Parameters
        ----------
        on : bool
        edges : (E, 2) int array, optional
            Ends of the lines to be drawn, settled by the first call; the mesh's own if left out.
        """
        if self._edges is not None:
            self._edges[1].SetVisibility(on)
        if on:
            ends = self.mesh.edges if edges is None else edges
            self._edges = self._edges or self._add_edges(ends)
            self._move_edges()

    def _add_edges(self, edges: NDArray[np.int64]) -> tuple[Any, Any]:
        lines = np.column_stack([np.full(len(edges), 2, dtype=np.int64), edges])
        data = self._pv.PolyData(self._body.points.copy(), lines=lines)
        actor = self._add(data, look.INK, None)
        actor.GetProperty().SetOpacity(_EDGE_OPACITY)
        # in front of their own polygons, yet behind whatever else the body has there
        actor.GetMapper().SetRelativeCoincidentTopologyLineOffsetParameters(-1.5, -60.0)
        return data, actor

    def _move_edges(self) -> None:
        if self._edges is not None and self._edges[1].GetVisibility():
            self._edges[0].points[:] = self._body.points
            self._edges[0].GetPoints().Modified()

    def show_ghost(self, positions: ArrayLike | None) -> None:
        """Show a second, faint creature, such as the rest behind a pose.

        Parameters
        ----------
        positions : (V, 3) array or None
            None takes it away.
        """
        if positions is None:
            if self._ghost_actor is not None:
                self._ghost_actor.SetVisibility(False)
            return
        if self._ghost is None:
            self._ghost, self._ghost_actor = self._add_creature(look.GHOST, look.GLASS_SURFACE)
            self._ghost_actor.GetProperty().SetBackfaceCulling(True)
            self._ghost_actor.ForceTranslucentOn()
            mapper = self._ghost_actor.GetMapper()
            mapper.SetScalarVisibility(True)
            # pushed behind all else, so that it does not tint what stands in it
            mapper.SetResolveCoincidentTopologyToPolygonOffset()
            mapper.SetRelativeCoincidentTopologyPolygonOffsetParameters(0.0, 1e7)
        moved = self.mesh.with_positions(positions)
        self._move(self._ghost, moved.positions, moved.vertex_normals)
        self._ghost_normals = moved.vertex_normals
        self._ghost_positions = moved.positions
        self._ghost_actor.SetVisibility(True)

    def show_ribbon(self, ribbon: Ribbon | Sequence[Ribbon] | None) -> None:
        """Show ribbons: surface, the two edge curves and a line at each knot.

        Parameters
        ----------
        ribbon : Ribbon, sequence of Ribbon or None
            None takes them away. As many with as many spans as the last only move the old ones.
        """
        if ribbon is None:
            for _, actor in self._ribbon_parts:
                actor.SetVisibility(False)
            return
        ribbons = [ribbon] if isinstance(ribbon, Ribbon) else list(ribbon)
        spans = tuple(one.spans for one in ribbons)
        points = self._to_stage(np.vstack([_ribbon_points(one) for one in ribbons]))
        if spans != self._ribbon_spans:
            self._build_ribbon(points, spans)
        for data, actor in self._ribbon_parts:
            data.points[:] = points
            data.GetPoints().Modified()
            actor.SetVisibility(True)

    def _build_ribbon(self, points: Floats, spans: tuple[int, ...]) -> None:
        for _, actor in self._ribbon_parts:
            self._plotter.remove_actor(actor, render=False)
        grids = _ribbon_grids(spans)
        quads = [
            np.stack([g[:-1, :-1], g[1:, :-1], g[1:, 1:], g[:-1, 1:]], axis=-1).reshape(-1, 4)
            for g in grids
        ]
        corners = np.vstack(quads)
        faces = np.column_stack([np.full(len(corners), 4), corners])
        sides = [g[:, side] for g in grids for side in (0, 2)]
        knots = [row for g in grids for row in g[::_ALONG_SPAN]]
        pv, coordinates = self._pv, points.astype(np.float32)
        surface = pv.PolyData(coordinates.copy(), faces=faces)
        edges = pv.PolyData(coordinates.copy(), lines=_polylines(sides))
        across = pv.PolyData(coordinates.copy(), lines=_polylines(knots))
        self._ribbon_parts = [
            (surface, self._add(surface, look.RIBBON_FRONT, look.RIBBON_SURFACE)),
            (edges, self._add(edges, look.RIBBON_LINES, None, width=3.4)),
            (across, self._add(across, look.RIBBON_LINES, None, width=1.8)),
        ]
        back = self._pv.Property(color=look.RIBBON_BACK)
        _apply(back, look.RIBBON_BACK_SURFACE)
        self._ribbon_parts[0][1].SetBackfaceProperty(back)
        self._ribbon_spans = spans

    # -- seeing it -----------------------------------------------------------------------------

    def set_view(
        self,
        view: str | View,
        points: ArrayLike | None = None,
        fill: float = FILL,
        insets: Insets | None = None,
    ) -> None:
        """Turn the camera and stand it off so that the subject fills the picture.

        Parameters
        ----------
        view : str or View
            A name of :data:`ribbonsim.view.camera.VIEWS`, or a view.
        points : (n, 3) array, optional
            What has to be seen, scene units; the creature as it stands if left out.
        fill : float
            Share of the picture's width or height.
        insets : Insets, optional
            Room kept free at the borders.
        """
        side = named_view(view) if isinstance(view, str) else view
        cloud = self._positions[self._used] if points is None else np.asarray(points)
        width, height = self.size
        self.set_camera(fit_camera(self._to_stage(cloud), side, width / height, fill, insets))

    def set_camera(self, camera: Camera) -> None:
        """Take a camera as it stands; its position is in stage units.

        Parameters
        ----------
        camera : Camera
        """
        self._camera = camera
        eye = self._plotter.camera
        eye.position = tuple(camera.position)
        eye.focal_point = tuple(camera.position - camera.axes[2])
        eye.up = tuple(camera.axes[1])
        eye.view_angle = camera.view_angle
        eye.SetWindowCenter(0.0, 0.0)

    @property
    def camera(self) -> Camera:
        """The camera as it stands."""
        if self._camera is None:
            raise RibbonsimError("the stage has no camera yet: set a view")
        return self._camera

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of pictures in pixels."""
        width, height = self._plotter.window_size
        return int(width), int(height)

    def resize(self, size: tuple[int, int]) -> None:
        """Make pictures of another size from now on; set the view afterwards.

        Parameters
        ----------
        size : (width, height)
            Pixels.
        """
        self._plotter.window_size = list(size)

    def smooth_edges(self, on: bool) -> None:
        """Take several samples a pixel, or one.

        Parameters
        ----------
        on : bool
        """
        if on:
            self._plotter.enable_anti_aliasing("msaa", multi_samples=8)
        else:
            self._plotter.disable_anti_aliasing()

    def nudge(self, right: float, down: float) -> None:
        """Shift what is seen by parts of a pixel; a mean of such pictures has smooth edges.

        Parameters
        ----------
        right, down : float
            Pixels; the next camera that is set stands without a shift.
        """
        width, height = self.size
        self._plotter.camera.SetWindowCenter(-2.0 * right / width, 2.0 * down / height)

    def project(self, points: ArrayLike) -> Floats:
        """Places of points in the picture.

        Parameters
        ----------
        points : (n, 3) array
            Scene units.

        Returns
        -------
        (n, 2) array
            Pixels from the left and from the top.
        """
        return self.camera.project(self._to_stage(points), self.size)[:, :2]

    def image(self, labels: bool = True) -> Bytes:
        """Draw the picture.

        Parameters
        ----------
        labels : bool
            Write :attr:`layer` over it.

        Returns
        -------
        (height, width, 3) array of uint8
        """
        with self._lock:
            self._tint_glass()
            self._light_skin()
            self._plotter.renderer.ResetCameraClippingRange()
            self._plotter.render_window.Render()
            picture = self._read_pixels()
            # a context belongs to the thread that holds it; the next picture may be another's
            self._plotter.render_window.ReleaseCurrent()
        if not labels or self.layer.empty:
            return picture
        body = self.project(self._positions[self._used])
        return write_over(picture, self.layer, body)

    def cut_out(self) -> Bytes:
        """Draw what stands on the stage without a background.

        Returns
        -------
        (height, width, 4) array of uint8
            Red, green and blue multiplied by opacity, and opacity; rows from the bottom. It is
            overwritten by the next picture.
        """
        window, renderer = self._plotter.render_window, self._plotter.renderer
        with self._lock:
            self._tint_glass()
            self._plotter.set_background("black")
            renderer.SetBackgroundAlpha(0.0)
            renderer.ResetCameraClippingRange()
            window.Render()
            self._plotter.set_background(look.BACKGROUND_BOTTOM, top=look.BACKGROUND_TOP)
            renderer.SetBackgroundAlpha(1.0)
            width, height = self.size
            window.GetRGBACharPixelData(0, 0, width - 1, height - 1, 0, self._pixels)
            window.ReleaseCurrent()
        return self._pv.convert_array(self._pixels).reshape(height, width, 4)

    def _read_pixels(self) -> Bytes:
        width, height = self.size
        window = self._plotter.render_window
        window.GetPixelData(0, 0, width - 1, height - 1, 0, self._pixels, 0)
        rows = self._pv.convert_array(self._pixels).reshape(height, width, 3)
        return np.ascontiguousarray(rows[::-1])  # from the top

    def close(self) -> None:
        """Free the window; the stage cannot be used afterwards."""
        self._ribbon_parts, self._edges = [], None
        self._body = self._body_actor = self._ghost = self._ghost_actor = None
        self._plotter.close()

    def __enter__(self) -> Stage:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # -- inside --------------------------------------------------------------------------------

    def _to_stage(self, points: ArrayLike) -> Floats:
        return (np.asarray(points, dtype=float) - self._centre) / self._unit

    def _add_creature(self, colour: str, surface: look.Surface) -> tuple[Any, Any]:
        faces = np.column_stack(
            [np.full(len(self.mesh.triangles), 3, dtype=np.int64), self.mesh.triangles]
        )
        count = len(self.mesh.positions)
        data = self._pv.PolyData(np.zeros((count, 3), dtype=np.float32), faces=faces)
        data.point_data["normals"] = np.zeros((count, 3), dtype=np.float32)
        data.point_data.active_normals_name = "normals"
        data.point_data["colours"] = np.full((count, 4), 255, dtype=np.uint8)
        data.point_data.active_scalars_name = "colours"
        actor = self._add(data, colour, surface)
        actor.GetMapper().SetColorModeToDirectScalars()
        actor.GetProperty().SetInterpolationToPhong()
        return data, actor

    def _add(self, data: Any, colour: str, surface: look.Surface | None, width: float = 1.0) -> Any:
        mapper = self._pv.DataSetMapper(dataset=data)
        mapper.SetScalarVisibility(False)
        if surface is None:  # lines lie on a surface and have to win over it
            mapper.SetResolveCoincidentTopologyToPolygonOffset()
            mapper.SetRelativeCoincidentTopologyLineOffsetParameters(-4.0, -2000.0)
        actor = self._pv.Actor(mapper=mapper)
        actor.prop.color = colour
        actor.prop.line_width = width * max(1.0, self.size[1] / 900.0)
        if surface is None:
            actor.prop.lighting = False
        else:
            _apply(actor.prop, surface)
        self._plotter.add_actor(actor, reset_camera=False, render=False)
        return actor

    def _move(self, data: Any, positions: Floats, normals: Floats) -> None:
        data.points[:] = self._to_stage(positions)
        data.GetPoints().Modified()
        data.point_data["normals"][:] = normals
        data.GetPointData().GetNormals().Modified()

    def _colour(self, colours: Bytes) -> None:
        _recolour(self._body, colours)

    def _dress(self, skin: Skin, surface: look.Surface, scalars: bool) -> None:
        self._skin = skin
        self.layer.scale = None
        self._body_actor.SetVisibility(True)
        self._body_actor.GetMapper().SetScalarVisibility(scalars)
        prop = self._body_actor.GetProperty()
        _apply(prop, surface)
        prop.LightingOn()
        self._painted = None
        # of glass only the near side is drawn, so nothing needs sorting
        prop.SetBackfaceCulling(skin == "glass" or self._near_side)
        self._body_actor.SetForceTranslucent(skin == "glass")
        self._body_actor.SetForceOpaque(skin != "glass")

    def _paint(self, base: NDArray[np.float32], surface: look.Surface) -> None:
        """Let the skin be lit at its vertices when the picture is drawn."""
        self._painted = (base, surface, look.CLAY)
        prop = self._body_actor.GetProperty()
        _apply(prop, _UNLIT)
        prop.LightingOff()
        self._body_actor.GetMapper().SetScalarVisibility(True)

    def _light_skin(self) -> None:
        if self._painted is not None:
            base, surface, shine = self._painted
            normals = self._normals.astype(np.float32, copy=False)
            lit = lit_colours(base, self._body.points, normals, self.camera, surface, shine)
            colours = np.full((len(lit), 4), 255, dtype=np.uint8)
            colours[:, :3] = lit
            self._colour(colours)

    def _tint_glass(self) -> None:
        if self._skin == "glass":
            tint = self._glass_colours(self._positions, self._normals, look.GLASS, _GLASS_EDGE)
            _recolour(self._body, tint)
        if self._ghost_actor is not None and self._ghost_actor.GetVisibility():
            tint = self._glass_colours(
                self._ghost_positions, self._ghost_normals, look.GHOST, 0.5 * _GLASS_EDGE
            )
            _recolour(self._ghost, tint)

    def _glass_colours(
        self, positions: Floats, normals: Floats, tone: str, at_edge: float
    ) -> Bytes:
        """Opacity rises from where the skin faces the camera to where it turns away."""
        rays = self.camera.position - self._to_stage(positions)
        rays /= np.linalg.norm(rays, axis=1, keepdims=True)
        away = 1.0 - np.abs(np.einsum("vi,vi->v", rays, normals))
        facing = _GLASS_FACING * at_edge / _GLASS_EDGE
        colours = np.empty((len(positions), 4), dtype=np.uint8)
        colours[:, :3] = np.round(255.0 * np.array(look.colour(tone)))
        colours[:, 3] = np.round(255.0 * (facing + (at_edge - facing) * away**2.2))
        return colours


def _recolour(data: Any, colours: Bytes) -> None:
    data.point_data["colours"][:] = colours
    data.GetPointData().GetScalars().Modified()


def _apply(prop: Any, surface: look.Surface) -> None:
    prop.SetAmbient(surface.ambient)
    prop.SetDiffuse(surface.diffuse)
    prop.SetSpecular(surface.specular)
    prop.SetSpecularPower(surface.specular_power)


def _ribbon_points(ribbon: Ribbon) -> Floats:
    """(3 (12 spans + 1), 3) points of the surface, three across, from knot to knot."""
    breaks = ribbon.breaks
    inside = np.arange(_ALONG_SPAN) / _ALONG_SPAN
    along = np.append((breaks[:-1, None] + np.diff(breaks)[:, None] * inside).ravel(), 1.0)
    return ribbon.evaluate(np.array([0.0, 0.5, 1.0]), along[:, None]).reshape(-1, 3)


def _ribbon_grids(spans: tuple[int, ...]) -> list[NDArray[np.int64]]:
    """For each ribbon the numbers of its points, three across, among those of all ribbons."""
    grids, start = [], 0
    for count in spans:
        rows = _ALONG_SPAN * count + 1
        grids.append(np.arange(start, start + 3 * rows).reshape(rows, 3))
        start += 3 * rows
    return grids


def _polylines(rows: list[NDArray[np.int64]]) -> NDArray[np.int64]:
    return np.concatenate([np.r_[len(row), row] for row in rows])
