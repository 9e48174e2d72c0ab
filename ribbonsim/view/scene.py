"""The scene: one creature on one stage, posed, coloured and seen again and again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ribbonsim.arrays import Array, Bytes
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.mesh.thinned import thinned
from ribbonsim.view import look
from ribbonsim.view.camera import FILL, Camera, Insets, View, fit_camera, named_view
from ribbonsim.view.light import lit_colours
from ribbonsim.view.overlay import Layer, write_over
from ribbonsim.view.ribbon_shape import RibbonShape
from ribbonsim.view.window import Window, set_surface

Skin = Literal["clay", "values", "glass", "hidden"]

_GLASS_FACING, _GLASS_EDGE = 0.10, 0.62
_EDGE_OPACITY = 0.3
_DENSE = 4000
# from so many vertices on a skin that moves is drawn with about so few
_VERY_DENSE, _MOVING = 45_000, 30_000
_UNLIT = look.Material(ambient=0.0, diffuse=1.0, specular=0.0, specular_power=1.0)


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
        self.mesh = mesh
        self.layer = Layer()
        self._used = np.unique(mesh.triangles)
        # single precision serves a unit-sized creature at the origin, whatever the scene's units
        self._centre, self._unit = mesh.centre, mesh.diagonal
        self._window = Window(size)
        self._ribbons = RibbonShape(self._window, self._to_stage)
        self.smooth_edges(smooth_edges)
        self._skin: Skin = "clay"
        one_piece = int(mesh.components.max()) == 0
        self._solid = mesh.is_closed and one_piece and mesh.volume > 0.0
        self._near_side = self._light_vertices = self._hurries = False
        self._painted: tuple[Any, look.Material, str] | None = None
        self._body, self._body_actor = self._add_creature(look.CLAY, look.CLAY_SURFACE)
        self._cells = self._body.GetPolys()
        self._few: tuple[Any, NDArray[np.int64]] | None = None  # cells of few, and their vertices
        self._thin = False
        self._edges: tuple[Any, Any] | None = None
        self._ghost: Any = None
        self._ghost_positions = self._ghost_normals = np.zeros((0, 3))
        self._ghost_actor: Any = None
        self._camera: Camera | None = None
        self.update(mesh.positions, mesh.vertex_normals)
        self.set_view("three_quarter")

    # -- what stands on the stage ------------------------------------------------------------

    def update(self, positions: ArrayLike, normals: ArrayLike | None = None) -> None:
        """Move the creature's vertices."""
        self._positions = np.asarray(positions)
        if normals is None:
            normals = self.mesh.with_positions(self._positions).vertex_normals
        self._normals = np.asarray(normals)
        self._move(self._body, self._positions, self._normals)
        self._move_edges()

    def show_clay(self, shade: ArrayLike | None = None) -> None:
        """Show the skin as clay; ``shade`` (V,) darkens it, 1 being as it is."""
        base = np.array(look.colour(look.CLAY), dtype=np.float32)
        if shade is not None:
            base = base * np.asarray(shade, dtype=np.float32)[:, None]
            colours = np.full((len(self.mesh.positions), 4), 255, dtype=np.uint8)
            colours[:, :3] = np.round(255.0 * base)
            _recolour(self._body, colours)
        self._dress("clay", look.CLAY_SURFACE, scalars=shade is not None)
        if self._light_vertices:
            self._paint(base, look.CLAY_SURFACE)

    def show_values(
        self, values: ArrayLike, scale: look.Scale, shade: ArrayLike | None = None
    ) -> None:
        """Show a value at each vertex as a colour, with the scale's bar in the picture.

        ``shade`` (V,) darkens colours, 1 being as they are.
        """
        colours = np.full((len(self.mesh.positions), 4), 255, dtype=np.uint8)
        colours[:, :3] = scale.colours(values)
        if shade is not None:
            colours[:, :3] = colours[:, :3] * np.asarray(shade, dtype=float)[:, None]
        _recolour(self._body, colours)
        self._dress("values", look.VALUE_SURFACE, scalars=True)
        if self._light_vertices:
            base = (colours[:, :3] / np.float32(255.0)).astype(np.float32)
            self._paint(base, look.VALUE_SURFACE)
        self.layer.scale = scale

    def show_colours(self, colours: Bytes) -> None:
        """Show the skin in colours that have light and shade in them already."""
        painted = np.full((len(self.mesh.positions), 4), 255, dtype=np.uint8)
        painted[:, :3] = colours
        _recolour(self._body, painted)
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
        worked out at the vertices, and a very dense one is drawn with fewer triangles unless its
        edges are shown. Takes effect when the skin is shown the next time.
        """
        self._hurries = on
        self._near_side = on and self._solid
        self._light_vertices = on and len(self._used) >= _DENSE

    def show_edges(self, on: bool, edges: NDArray[np.int64] | None = None) -> None:
        """Draw the edges of the polygons."""
        if self._edges is not None:
            self._edges[1].SetVisibility(on)
        if on:
            ends = self.mesh.edges if edges is None else edges
            self._edges = self._edges or self._add_edges(ends)
            self._move_edges()

    def _add_edges(self, edges: NDArray[np.int64]) -> tuple[Any, Any]:
        lines = np.column_stack([np.full(len(edges), 2, dtype=np.int64), edges])
        data = self._window.pv.PolyData(self._body.points.copy(), lines=lines)
        actor = self._window.add(data, look.INK, None)
        actor.GetProperty().SetOpacity(_EDGE_OPACITY)
        # in front of their own polygons, yet behind whatever else the body has there
        actor.GetMapper().SetRelativeCoincidentTopologyLineOffsetParameters(-1.5, -60.0)
        return data, actor

    def _move_edges(self) -> None:
        if self._edges is not None and self._edges[1].GetVisibility():
            self._edges[0].points[:] = self._body.points
            self._edges[0].GetPoints().Modified()

    def show_ghost(self, positions: ArrayLike | None) -> None:
        """Show a second, faint creature, such as the rest behind a pose."""
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
        """Show ribbons: surface, the two edge curves and a line at each knot."""
        self._ribbons.show([ribbon] if isinstance(ribbon, Ribbon) else list(ribbon or ()))

    # -- seeing it -----------------------------------------------------------------------------

    def set_view(
        self,
        view: str | View,
        points: ArrayLike | None = None,
        fill: float = FILL,
        insets: Insets | None = None,
    ) -> None:
        """Turn the camera and stand it off so that the subject fills the picture."""
        side = named_view(view) if isinstance(view, str) else view
        cloud = self._positions[self._used] if points is None else np.asarray(points)
        width, height = self.size
        self.set_camera(fit_camera(self._to_stage(cloud), side, width / height, fill, insets))

    def set_camera(self, camera: Camera) -> None:
        """Take a camera as it stands; its position is in stage units."""
        self._camera = camera
        self._window.set_camera(camera)

    @property
    def camera(self) -> Camera:
        """The camera as it stands."""
        if self._camera is None:
            raise RibbonsimError("the stage has no camera yet: set a view")
        return self._camera

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of pictures in pixels."""
        return self._window.size

    def resize(self, size: tuple[int, int]) -> None:
        """Make pictures of another size from now on; set the view afterwards."""
        self._window.resize(size)

    def draw_within(self, size: tuple[int, int], lines: float) -> None:
        """Make smaller pictures from now on, without the wait for another window.

        Parameters
        ----------
        size : (width, height)
            Pixels; neither more than of the window.
        lines : float
            How many times as wide as usual lines are drawn.
        """
        self._window.draw_within(size)
        self._window.scale_lines(lines)

    def smooth_edges(self, on: bool) -> None:
        """Take several samples a pixel, or one."""
        self._window.smooth_edges(on)

    def nudge(self, right: float, down: float) -> None:
        """Shift what is seen by parts of a pixel; a mean of such pictures has smooth edges."""
        self._window.nudge(right, down)

    def project(self, points: ArrayLike) -> Array:
        """Places of points in the picture."""
        return self.camera.project(self._to_stage(points), self.size)[:, :2]

    def image(self, labels: bool = True) -> Bytes:
        """Draw the picture: (height, width, 3) bytes."""
        self._tint_glass()
        self._light_skin()
        picture = self._window.picture()
        if not labels or self.layer.empty:
            return picture
        body = self.project(self._positions[self._used])
        return write_over(picture, self.layer, body)

    def cut_out(self) -> Bytes:
        """Draw what stands on the stage without a background."""
        self._tint_glass()
        return self._window.cut_out()

    def close(self) -> None:
        """Free the window; the stage cannot be used afterwards."""
        self._edges = self._few = self._cells = None
        self._body = self._body_actor = self._ghost = self._ghost_actor = None
        self._window.close()

    def __enter__(self) -> Stage:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- inside --------------------------------------------------------------------------------

    def _to_stage(self, points: ArrayLike) -> Array:
        return (np.asarray(points, dtype=float) - self._centre) / self._unit

    def _add_creature(self, colour: str, surface: look.Material) -> tuple[Any, Any]:
        faces = np.column_stack(
            [np.full(len(self.mesh.triangles), 3, dtype=np.int64), self.mesh.triangles]
        )
        count = len(self.mesh.positions)
        data = self._window.pv.PolyData(np.zeros((count, 3), dtype=np.float32), faces=faces)
        data.point_data["normals"] = np.zeros((count, 3), dtype=np.float32)
        data.point_data.active_normals_name = "normals"
        data.point_data["colours"] = np.full((count, 4), 255, dtype=np.uint8)
        data.point_data.active_scalars_name = "colours"
        actor = self._window.add(data, colour, surface)
        actor.GetMapper().SetColorModeToDirectScalars()
        actor.GetProperty().SetInterpolationToPhong()
        return data, actor

    def _move(self, data: Any, positions: Array, normals: Array) -> None:
        data.points[:] = self._to_stage(positions)
        data.GetPoints().Modified()
        data.point_data["normals"][:] = normals
        data.GetPointData().GetNormals().Modified()

    def _dress(self, skin: Skin, surface: look.Material, scalars: bool) -> None:
        self._skin = skin
        self.layer.scale = None
        edged = self._edges is not None and bool(self._edges[1].GetVisibility())
        self._thin_out(self._hurries and len(self._used) >= _VERY_DENSE and not edged)
        self._body_actor.SetVisibility(True)
        self._body_actor.GetMapper().SetScalarVisibility(scalars)
        prop = self._body_actor.GetProperty()
        set_surface(prop, surface)
        prop.LightingOn()
        self._painted = None
        # of glass only the near side is drawn, so nothing needs sorting
        prop.SetBackfaceCulling(skin == "glass" or self._near_side)
        self._body_actor.SetForceTranslucent(skin == "glass")
        self._body_actor.SetForceOpaque(skin != "glass")

    def _thin_out(self, on: bool) -> None:
        """Draw the skin with few triangles, or with all."""
        if on == self._thin:
            return
        if on and self._few is None:
            triangles = thinned(self.mesh, _MOVING)
            faces = np.column_stack([np.full(len(triangles), 3, dtype=np.int64), triangles])
            cells = self._window.pv.PolyData(self._body.points, faces=faces.ravel()).GetPolys()
            self._few = cells, np.unique(triangles)
        self._thin = on
        self._body.SetPolys(self._few[0] if on and self._few is not None else self._cells)
        self._body.Modified()

    def _paint(self, base: NDArray[np.float32], surface: look.Material) -> None:
        """Let the skin be lit at its vertices when the picture is drawn."""
        self._painted = (base, surface, look.CLAY)
        prop = self._body_actor.GetProperty()
        set_surface(prop, _UNLIT)
        prop.LightingOff()
        self._body_actor.GetMapper().SetScalarVisibility(True)

    def _light_skin(self) -> None:
        if self._painted is not None:
            base, surface, shine = self._painted
            seen = self._few[1] if self._thin and self._few is not None else slice(None)
            normals = self._normals[seen].astype(np.float32, copy=False)
            own = base[seen] if base.ndim == 2 else base
            lit = lit_colours(own, self._body.points[seen], normals, self.camera, surface, shine)
            colours = np.full((len(self._normals), 4), 255, dtype=np.uint8)
            colours[seen, :3] = lit
            _recolour(self._body, colours)

    def _tint_glass(self) -> None:
        if self._skin == "glass":
            tint = self._glass_colours(self._positions, self._normals, look.GLASS, _GLASS_EDGE)
            _recolour(self._body, tint)
        if self._ghost_actor is not None and self._ghost_actor.GetVisibility():
            tint = self._glass_colours(
                self._ghost_positions, self._ghost_normals, look.GHOST, 0.5 * _GLASS_EDGE
            )
            _recolour(self._ghost, tint)

    def _glass_colours(self, positions: Array, normals: Array, tone: str, at_edge: float) -> Bytes:
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
