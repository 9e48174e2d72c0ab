"""The compare panel: layouts of one mesh side by side, changed while looking."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from ribbonsim.appendage_targets import ALL_TEST_POSES
from ribbonsim.bendcheck.compare import LETTERS
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout import Layout
from ribbonsim.notebook import MESH_VARIABLE
from ribbonsim.panel.bench import Bench
from ribbonsim.panel.desk import Desk, Source
from ribbonsim.panel.fields import LABEL_WIDTH, QuantityRow, button, heading, row, short
from ribbonsim.panel.model import PanelModel
from ribbonsim.panel.numbers_section import NumbersSection
from ribbonsim.panel.open_section import OpenSection
from ribbonsim.panel.tiles import TileViewer
from ribbonsim.panel.view_section import ViewSection
from ribbonsim.panel.viewer import Viewer
from ribbonsim.view.backend import check_display

Layouts = Sequence[Layout | str | os.PathLike[str]] | None

SIZE = (900, 600)
_AMOUNTS = {
    "degrees": (-360.0, 360.0, 1.0, 0.0),
    "turns": (-3.0, 3.0, 0.05, 0.0),
    "factor": (0.4, 2.5, 0.01, 1.0),
}


class _CompareDesk(Desk):
    """A desk whose model is that of the chosen layout."""

    def __init__(self, size: tuple[int, int], bench: Bench, choose: Callable[[int], None]) -> None:
        self.bench = bench
        self._chooser = choose
        super().__init__(size)

    def _make_viewer(self, size: tuple[int, int]) -> Viewer:
        return TileViewer(
            self.bench, self._show_frame, self._show_numbers, self.complain, size, self._chooser
        )

    def open(self, source: Source, layouts: Layouts = None) -> None:
        """Open a mesh with layouts, and stand where its bend shows best.

        Parameters
        ----------
        source : path, CreatureMesh or Rig
        layouts : sequence of Layout or path, optional

        Raises
        ------
        RibbonsimError
            If something cannot be read or bound; what was open stays.
        """
        self.bench.open(source, layouts)
        self._take_chosen()
        self.viewer.frame_all(self.bench.telling_view())

    @property
    def unsaved(self) -> bool:
        """Whether any layout has changes that opening another creature would lose."""
        return self.bench.unsaved

    def refresh(self) -> None:
        """Let every section show the bench as it is."""
        self.bench.mind_kept()
        self._take_chosen()
        super().refresh()

    def _take_chosen(self) -> None:
        if self.bench.entries:
            self.model = self.viewer.model = self.bench.entries[self.bench.chosen].model


class ComparePanel(widgets.VBox):
    """Two to six layouts of one mesh side by side, in the same pose and by one camera.

    Display it in a notebook. Nothing in it needs Python; what it holds can be had from
    :attr:`bench`. What goes wrong is said in the panel.

    Parameters
    ----------
    source : path or CreatureMesh, optional
        The mesh. If left out: the OBJ file that the environment variable
        ``RIBBONSIM_MESH`` names, else the first demo creature.
    layouts : sequence of Layout or path, optional
        Two to six. If left out: a first layout, and the same with fewer controls.

    Examples
    --------
    >>> import ribbonsim as rs
    >>> rs.ComparePanel("meshes/grub.obj", ["a.toml", "b.toml"])  # doctest: +SKIP
    """

    def __init__(
        self,
        source: Source | None = None,
        layouts: Layouts = None,
    ) -> None:
        self.bench = Bench()
        self._desk = desk = _CompareDesk(SIZE, self.bench, self._choose)
        self._numbers = NumbersSection(desk, self.bench)
        self._quiet = False
        self._shown_pose = ""
        sheet = Path(__file__).with_name("style.css").read_text(encoding="utf-8")
        style = widgets.HTML(f"<style>{sheet}</style>")
        style.layout.display = "none"
        try:
            check_display()
        except RibbonsimError as error:
            desk.complain(str(error))
            super().__init__([style, desk.message])
            self.add_class("rs-panel")
            return
        self._make_fields()
        self._opener = opener = OpenSection(desk)
        super().__init__([style, opener.box, desk.message, self._arrange(), self._numbers.table])
        self.add_class("rs-panel")
        desk.on_change(self._refresh)
        if source is None:
            named = os.environ.get(MESH_VARIABLE, "")
            source = Path(named) if named else next(iter(opener.demos.values()), None)
        if source is None:
            return
        if layouts is None:
            opener.open(source)
        else:
            mesh = source
            desk.act(lambda: desk.open(mesh, layouts), doing="Opening")

    def close(self) -> None:
        """Take the panel off the page, stop what goes on and free its picture."""
        self._numbers.close()
        self._desk.viewer.close()
        super().close()

    # -- fields ------------------------------------------------------------------------------

    def _make_fields(self) -> None:
        wide = {"flex": "1 1 80px", "width": "0", "min_width": "60px"}
        self._layouts = widgets.Select(
            options=[], layout=widgets.Layout(width="auto", height="122px")
        )
        self._layouts.observe(self._picked, "value")
        self._path = widgets.Text(placeholder="layout.toml", layout=widgets.Layout(**wide))
        self._replace = widgets.Checkbox(
            value=False, description="replace the file if it is there", indent=False
        )
        self._test = widgets.Dropdown(
            options=_pose_options(self.bench),
            value=_pose_value(self.bench),
            layout=widgets.Layout(width="auto"),
        )
        self._test.observe(self._take_test, "value")
        unit = ALL_TEST_POSES[self.bench.asked.name].unit
        self._amount = QuantityRow(
            "amount", "how much of it", *_AMOUNTS[unit], changed=self._set_amount
        )
        self._amount.tell(self.bench.asked.amount)
        self._control = widgets.Dropdown(options=[], layout=widgets.Layout(**wide))
        self._control.observe(self._loud(lambda v: self._model.select(v)), "value")
        self._seat = widgets.IntSlider(
            value=1, min=1, max=17, continuous_update=False, layout=widgets.Layout(**wide)
        )
        self._seat.observe(
            self._loud(lambda v: self._model.move_control(self._model.selected, v)), "value"
        )
        self._reach = QuantityRow(
            *("reach", "times the distance to its neighbours", 0.25, 6.0, 0.05, 2.0),
            changed=self._set_reach,
            live=False,
        )
        self._new_seat = widgets.BoundedIntText(
            value=2, min=1, max=17, layout=widgets.Layout(width="64px")
        )
        self._stations = widgets.BoundedIntText(
            value=17, min=2, max=200, layout=widgets.Layout(width="64px")
        )
        self._stations.observe(self._loud(lambda v: self._model.set_stations(v)), "value")
        self._method = widgets.ToggleButtons(
            options=[("linear", "linear"), ("dual quaternion", "dual_quaternion")],
            style={"button_width": "auto"},
        )
        self._method.observe(self._loud(lambda v: self._model.set_method(v)), "value")
        self._bring_back = button(
            "Bring back", self._again(self.bench.bring_back), "the one taken away last"
        )

    def _arrange(self) -> widgets.HBox:
        side = widgets.VBox(
            [
                heading("Pose, asked of every layout"),
                self._test,
                self._amount,
                heading("Layouts"),
                self._layouts,
                row(
                    button("Make a variant", self._variant, "duplicate the chosen layout"),
                    button("Take away", self._again(self.bench.remove)),
                    self._bring_back,
                ),
                heading("The chosen layout"),
                self._field("control", self._control),
                self._field("station", self._seat),
                self._reach,
                self._field(
                    "new at station", self._new_seat, button("Add a control", self._add_control)
                ),
                row(button("Remove this control", self._remove_control)),
                self._field("stations", self._stations),
                self._method,
                heading("Layout file of the chosen layout"),
                row(self._path),
                self._replace,
                row(button("Save", self._save), button("Add from a file", self._add_file)),
                heading("Numbers"),
                self._numbers.box,
            ]
        )
        side.add_class("rs-side")
        side.add_class("rs-card")
        main = widgets.HBox([ViewSection(self._desk, "a layout or its control").box, side])
        main.add_class("rs-main")
        return main

    @staticmethod
    def _field(label: str, *parts: widgets.Widget) -> widgets.HBox:
        return row(widgets.Label(label, layout=widgets.Layout(width=LABEL_WIDTH)), *parts)

    @property
    def _model(self) -> Any:
        return self._desk.model

    # -- changing ----------------------------------------------------------------------------

    def _act(self, change: Callable[[], object], says: str = "") -> bool:
        return self._desk.act(change, says, doing="Binding again")

    def _loud(self, change: Callable[[Any], object]) -> Callable[[dict[str, Any]], None]:
        """A change that a field makes, unless the panel itself has set it."""

        def heard(event: dict[str, Any]) -> None:
            if not self._quiet and event["new"] is not None:
                self._act(lambda: change(event["new"]))

        return heard

    def _choose(self, number: int) -> None:
        if number != self.bench.chosen and number < len(self.bench.entries):
            self.bench.chosen = number
            self._desk.refresh()
            self._desk.viewer.ask()

    def _picked(self, change: dict[str, Any]) -> None:
        if not self._quiet and change["new"] is not None:
            self._choose(change["new"])

    def _refitted(self, change: Callable[[], None]) -> Callable[[], None]:
        """A change of the number of tiles, after which the camera stands to fill them."""

        def go() -> None:
            change()
            self.bench.mind_kept()
            self._desk.viewer.frame_all()

        return go

    def _again(self, change: Callable[[], None]) -> Callable[[], object]:
        return lambda: self._act(self._refitted(change))

    def _variant(self) -> None:
        self._act(
            self._refitted(self.bench.duplicate), "A variant stands beside the others: change it."
        )

    def _take_test(self, change: dict[str, tuple[str, int]]) -> None:
        if self._quiet or change["new"] is None:
            return
        name, layout = change["new"]

        def take() -> None:
            if layout < 0:
                self.bench.ask_test(name)
            else:
                self.bench.ask_kept(layout, name)
            self._desk.viewer.frame_all(self.bench.telling_view())

        self._act(take)

    def _set_amount(self, amount: float) -> None:
        self._desk.act(lambda: self.bench.ask_test(self.bench.asked.name, amount))

    def _set_reach(self, reach: float) -> None:
        self._act(lambda: self._model.set_reach(self._model.selected, reach))

    def _add_control(self) -> None:
        self._act(lambda: self._model.add_control(self._new_seat.value))

    def _remove_control(self) -> None:
        self._act(lambda: self._model.remove_control(self._model.selected))

    def _save(self) -> None:
        path, force = self._path.value.strip(), self._replace.value

        def save() -> None:
            if not path:
                raise RibbonsimError("there is no path: write where the layout shall go")
            if Path(path).exists() and not force:
                raise RibbonsimError(
                    f"{path} is there already: tick 'replace the file' or take another name"
                )
            self._model.save(path, force)

        self._desk.act(save, f"Saved as {path}.")

    def _add_file(self) -> None:
        path = self._path.value.strip()

        def add() -> None:
            if not path:
                raise RibbonsimError("there is no path: write where the layout file is")
            self.bench.add(Layout.load(path), Path(path).stem)

        self._act(add, f"{path} stands beside the others.")

    # -- showing -----------------------------------------------------------------------------

    def _refresh(self) -> None:
        bench = self.bench
        if not bench.entries:
            return
        model = self._desk.model
        self._quiet = True
        try:
            self._refresh_pose()
            self._bring_back.disabled = not bench.removed
            names = [
                (f"{LETTERS[i]}  {short(e.name, 30)}  ·  {_size(e.model)}", i)
                for i, e in enumerate(bench.entries)
            ]
            with self._layouts.hold_sync():
                if list(self._layouts.options) != names:
                    self._layouts.options = names
                self._layouts.value = bench.chosen
            controls = _control_options(model.layout)
            with self._control.hold_sync():
                if list(self._control.options) != controls:
                    self._control.options = controls
                self._control.value = model.selected
            chosen, stations = model.control, len(model.own.stations)
            self._seat.max = self._new_seat.max = stations
            self._seat.value = chosen.station
            self._stations.value = stations
            self._reach.tell(chosen.reach)
            self._method.value = model.method
        finally:
            self._quiet = False
        self._numbers.refresh()

    def _refresh_pose(self) -> None:
        """Show the poses that there are, and the one that is asked for."""
        options = _pose_options(self.bench)
        with self._test.hold_sync():
            if list(self._test.options) != options:
                self._test.options = options
            self._test.value = _pose_value(self.bench)
        asked = self.bench.asked
        self._amount.layout.display = "none" if asked.owner else ""
        if asked.owner is None:
            pose = ALL_TEST_POSES[asked.name]
            if self._shown_pose != asked.name:
                self._shown_pose = asked.name
                self._amount.set_range(*_AMOUNTS[pose.unit])
            self._amount.tell(asked.amount)


def _control_options(layout: Layout) -> list[tuple[str, str]]:
    """Controls of all ribbons with their stations, and their names."""
    return [
        (f"{short(name)}  ·  station {control.station}", name)
        for ribbon, one in layout.ribbons.items()
        for control, name in zip(one.controls, layout.control_names_of(ribbon), strict=True)
    ]


def _pose_options(bench: Bench) -> list[tuple[str, tuple[str, int]]]:
    """Test poses, then poses kept with the layouts; a layout of -1 stands for a test pose."""
    found = [(f"{p.name}: {p.describes}", (p.name, -1)) for p in bench.test_poses().values()]
    for layout, name in bench.kept_poses():
        found.append((f"{short(name, 30)}: kept with {LETTERS[layout]}", (name, layout)))
    return found


def _pose_value(bench: Bench) -> tuple[str, int]:
    asked = bench.asked
    return asked.name, -1 if asked.owner is None else bench.posed


def _size(model: PanelModel) -> str:
    layout = model.layout
    count = len(layout.controls)
    controls = "1 control" if count == 1 else f"{count} controls"
    blend = ", dual quaternion" if model.method == "dual_quaternion" else ""
    return f"{controls}, {len(layout.stations)} stations{_riders(layout)}{blend}"


def _riders(layout: Layout) -> str:
    count = len(layout.appendages)
    if not count:
        return ""
    return ", 1 appendage" if count == 1 else f", {count} appendages"
