"""The compare panel: layouts of one mesh side by side, changed while looking."""

from __future__ import annotations

import html
import logging
import os
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from ribbonsim.bendcheck.compare import LETTERS, Comparison, compare
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout import Layout
from ribbonsim.mesh import CreatureMesh
from ribbonsim.notebook import MESH_VARIABLE
from ribbonsim.panel.bench import Bench, TileViewer
from ribbonsim.panel.demo import demo_meshes
from ribbonsim.panel.desk import Desk
from ribbonsim.panel.fields import LABEL_WIDTH, QuantityRow, button, heading, row, short
from ribbonsim.panel.inspector import CHECKS
from ribbonsim.panel.view_section import ViewSection
from ribbonsim.panel.viewer import Viewer
from ribbonsim.targets import TEST_POSES
from ribbonsim.view.backend import check_display

Source = str | os.PathLike[str] | CreatureMesh

SIZE = (900, 600)
_REST = 0.6
_AMOUNTS = {
    "degrees": (-360.0, 360.0, 1.0, 0.0),
    "turns": (-3.0, 3.0, 0.05, 0.0),
    "factor": (0.4, 2.5, 0.01, 1.0),
}
_LOG = logging.getLogger(__name__)


class _StoppedError(Exception):
    """The comparison was stopped."""


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

    def refresh(self) -> None:
        """Let every section show the bench as it is."""
        if self.bench.entries:
            self.model = self.viewer.model = self.bench.entries[self.bench.chosen].model
        super().refresh()


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
        layouts: Sequence[Layout | str | os.PathLike[str]] | None = None,
    ) -> None:
        self.bench = Bench()
        self._desk = desk = _CompareDesk(SIZE, self.bench, self._choose)
        self._quiet = False
        self._ticket = 0
        self._going = False
        self._compared: tuple[object, ...] = ()
        self._changed_at = 0.0
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
        super().__init__([style, self._top(), desk.message, self._arrange(), self._table])
        self.add_class("rs-panel")
        desk.on_change(self._refresh)
        if source is None:
            named = os.environ.get(MESH_VARIABLE, "")
            source = Path(named) if named else next(iter(self._demos.values()), None)
        if source is not None:
            self._open(source, layouts)

    def close(self) -> None:
        """Take the panel off the page, stop what goes on and free its picture."""
        self._ticket += 1
        self._desk.viewer.close()
        super().close()

    # -- fields ------------------------------------------------------------------------------

    def _make_fields(self) -> None:
        wide = {"flex": "1 1 80px", "width": "0", "min_width": "60px"}
        self._demos = demo_meshes()
        self._demo = widgets.Dropdown(
            options=[("demo creature …", ""), *((name, name) for name in self._demos)],
            layout=widgets.Layout(width="150px"),
        )
        self._demo.observe(self._open_demo, "value")
        self._mesh_path = widgets.Text(
            placeholder="path of an OBJ file", layout=widgets.Layout(flex="1 1 180px", width="auto")
        )
        self._layouts = widgets.Select(
            options=[], layout=widgets.Layout(width="auto", height="92px")
        )
        self._layouts.observe(self._picked, "value")
        self._path = widgets.Text(placeholder="layout.toml", layout=widgets.Layout(**wide))
        self._replace = widgets.Checkbox(
            value=False, description="replace the file if it is there", indent=False
        )
        self._test = widgets.Dropdown(
            options=[(f"{p.name}: {p.describes}", p.name) for p in TEST_POSES.values()],
            value=self.bench.pose_name,
            layout=widgets.Layout(width="auto"),
        )
        self._test.observe(self._take_test, "value")
        unit = TEST_POSES[self.bench.pose_name].unit
        self._amount = QuantityRow(
            "amount", "how much of it", *_AMOUNTS[unit], changed=self._set_amount
        )
        self._amount.tell(self.bench.amount)
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
        self._table = widgets.HTML()
        self._progress = widgets.HTML()
        self._stop = button("Stop", self._stop_comparing, "stop comparing")
        self._stop.disabled = True

    def _top(self) -> widgets.HBox:
        return row(self._demo, self._mesh_path, button("Open", self._open_path))

    def _arrange(self) -> widgets.HBox:
        side = widgets.VBox(
            [
                heading("Test pose, fitted to each layout"),
                self._test,
                self._amount,
                heading("Layouts"),
                self._layouts,
                row(
                    button("Make a variant", self._variant, "duplicate the chosen layout"),
                    button("Take away", lambda: self._act(self._refitted(self.bench.remove))),
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
                row(button("Compare in all test poses", self._compare_all), self._stop),
                self._progress,
            ]
        )
        side.add_class("rs-side")
        side.add_class("rs-card")
        main = widgets.HBox([ViewSection(self._desk, "a layout").box, side])
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

    def _open(
        self, source: Source, layouts: Sequence[Layout | str | os.PathLike[str]] | None = None
    ) -> None:
        def go() -> None:
            self.bench.open(source, layouts)
            self._desk.refresh()
            self._desk.viewer.frame_all(self.bench.telling_view())

        self._desk.act(go, doing="Opening")

    def _open_demo(self, change: dict[str, str]) -> None:
        if change["new"] and not self._quiet:
            self._open(self._demos[change["new"]])

    def _open_path(self) -> None:
        path = self._mesh_path.value.strip()
        if path:
            self._open(Path(path).expanduser())
        else:
            self._desk.complain("there is no path: write where the OBJ file is")

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
            self._desk.viewer.frame_all()

        return go

    def _variant(self) -> None:
        self._act(
            self._refitted(self.bench.duplicate), "A variant stands beside the others: change it."
        )

    def _take_test(self, change: dict[str, str]) -> None:
        pose = TEST_POSES[change["new"]]

        def take() -> None:
            self.bench.pose_name, self.bench.amount = pose.name, pose.usual
            self._amount.set_range(*_AMOUNTS[pose.unit])
            self._amount.tell(pose.usual)
            self._desk.viewer.frame_all(self.bench.telling_view())

        self._act(take)

    def _set_amount(self, amount: float) -> None:
        self._desk.act(lambda: setattr(self.bench, "amount", amount))

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
            names = [
                (f"{LETTERS[i]}  {short(e.name, 34)}  ·  {_size(e.model.layout)}", i)
                for i, e in enumerate(bench.entries)
            ]
            with self._layouts.hold_sync():
                if list(self._layouts.options) != names:
                    self._layouts.options = names
                self._layouts.value = bench.chosen
            controls = [
                (f"{short(c.name)}  ·  station {c.station}", c.name) for c in model.layout.controls
            ]
            with self._control.hold_sync():
                if list(self._control.options) != controls:
                    self._control.options = controls
                self._control.value = model.selected
            chosen = model.layout.controls[model.layout.control_index(model.selected)]
            stations = len(model.layout.stations)
            self._seat.max = self._new_seat.max = stations
            self._seat.value = chosen.station
            self._stations.value = stations
            self._reach.tell(chosen.reach)
            self._method.value = model.method
        finally:
            self._quiet = False
        self._ask_numbers()

    # -- numbers -----------------------------------------------------------------------------

    def _asked(self) -> tuple[object, ...]:
        """What the numbers depend on."""
        bench = self.bench
        each = tuple((e.name, e.model.rig, e.model.method) for e in bench.entries)
        return (bench.pose_name, bench.amount, each)

    def _ask_numbers(self) -> None:
        asked = self._asked()
        if asked != self._compared:
            self._compared, self._changed_at = asked, time.monotonic()
            self._ticket += 1
            CHECKS.ask_later(self, self._compare_rested, _REST)

    def _compare_rested(self) -> None:
        left = self._changed_at + _REST - time.monotonic()
        if left > 0.01:
            CHECKS.ask_later(self, self._compare_rested, left)
            return
        self._weigh({self.bench.pose_name: self.bench.amount}, self._ticket)

    def _compare_all(self) -> None:
        self._ticket += 1
        ticket = self._ticket
        self._tell("Waiting …")
        CHECKS.ask(self, lambda: self._weigh(None, ticket))

    def _stop_comparing(self) -> None:
        self._ticket += 1

    def _weigh(self, poses: dict[str, Any] | None, ticket: int) -> None:
        begin = time.perf_counter()
        entries = list(self.bench.entries)

        def progress(what: str, done: int, total: int) -> None:
            if ticket != self._ticket:
                raise _StoppedError
            seconds = time.perf_counter() - begin
            self._tell(f"{what}: {done} of {total} poses … {seconds:.1f} s")

        self._stop.disabled = False
        try:
            found = compare(
                [entry.model.rig for entry in entries],
                poses,
                [entry.name for entry in entries],
                progress=progress,
                methods=[entry.model.method for entry in entries],
            )
            self._table.value = _table_html(found)
            count = len(found.poses)
            where = f"{count} test poses" if count > 1 else found.poses[0].replace("_", " ")
            self._tell(f"Compared in {where} in {time.perf_counter() - begin:.1f} s.")
        except _StoppedError:
            self._tell("Stopped.")
        except RibbonsimError as error:
            self._desk.complain(str(error))
            self._tell("")
        except Exception as error:  # nothing above this but the thread of all panels
            _LOG.debug("a comparison failed", exc_info=True)
            self._desk.complain(f"this could not be compared ({type(error).__name__}: {error})")
            self._tell("")
        finally:
            self._stop.disabled = True

    def _tell(self, words: str) -> None:
        self._progress.value = (
            f'<div class="rs-facts" role="status">{html.escape(words) or "&nbsp;"}</div>'
        )


def _size(layout: Layout) -> str:
    count = len(layout.controls)
    controls = "1 control" if count == 1 else f"{count} controls"
    return f"{controls}, {len(layout.stations)} stations"


def _table_html(found: Comparison) -> str:
    """Measures by layout and what sets them apart; the best and worst are said in words."""
    heads = "".join(f"<th>{html.escape(label)}</th>" for label in found.labels)
    lines = []
    for line in found.table:
        cells = []
        for i, text in enumerate(line.texts):
            rank = "best" if i in line.best else "worst" if i in line.worst else ""
            sign = {"best": "▲ best", "worst": "▽ worst", "": ""}[rank]
            over = "" if line.holds(i) else " beyond the limit"
            place = html.escape(line.places[i].removeprefix("in ")) if i < len(line.places) else ""
            cells.append(
                f'<td class="rs-{rank or "even"}" title="{place}{over}">'
                f"<b>{html.escape(text)}{'' if line.holds(i) else ' !'}</b> <i>{sign}</i></td>"
            )
        limit = html.escape(line.limit_text)
        lines.append(f"<tr><th>{html.escape(line.title)}</th><td>{limit}</td>{''.join(cells)}</tr>")
    words = "".join(f"<li>{html.escape(each)}</li>" for each in found.differences)
    notes = "".join(f"<p>{html.escape(each)}</p>" for each in found.notes)
    return (
        '<div class="rs-compared"><table><thead><tr><th>measure</th><th>limit</th>'
        f"{heads}</tr></thead><tbody>{''.join(lines)}</tbody></table>"
        f"<p>! beyond the limit; rest the pointer on a number to see where.</p>"
        f"<ul>{words}</ul>{notes}</div>"
    )
