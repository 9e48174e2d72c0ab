"""Handoff: which formats, poses, units and folder; where the files went."""

from __future__ import annotations

import base64
import html
import threading
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from ribbonsim.appendage_targets import test_poses_of
from ribbonsim.errors import RibbonsimError
from ribbonsim.handoff.baking import choose_poses
from ribbonsim.handoff.units import METRES, Units
from ribbonsim.handoff.whole import FORMATS, Handoff
from ribbonsim.panel.desk import Desk
from ribbonsim.panel.fields import LABEL_WIDTH, button, heading, row, short
from ribbonsim.panel.model import guess_unit
from ribbonsim.panel.packing import Packing, Parcel
from ribbonsim.pose import Pose

_ALL, _AS_IT_STANDS = ("all", ""), ("now", "")
_LABELS = {
    "gltf": "glTF",
    "usd": "USD",
    "tables": "tables",
    "obj": "OBJ",
    "sheet": "build sheet",
}
_UNITS = [(f"{name}s" if name not in ("inch", "foot") else name, name) for name in METRES]
_LARGEST_LINK = 30_000_000
_MEDIA = {
    ".glb": "model/gltf-binary",
    ".html": "text/html",
    ".pdf": "application/pdf",
    ".json": "application/json",
}


class HandoffSection:
    """What leaves for the next package.

    Parameters
    ----------
    desk : Desk
    """

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._packing = Packing(self._tell, self._take, desk.complain)
        self._lock = threading.RLock()
        self._make_fields()
        self.box = self._arrange()
        desk.on_change(self.refresh)

    def _make_fields(self) -> None:
        self._formats = {key: _box(label, tip=FORMATS[key]) for key, label in _LABELS.items()}
        self._text = _box("as text", on=False, tip="glTF and USD: .gltf with a .bin, and .usda")
        self._poses = widgets.SelectMultiple(
            options=[("all kept poses and test poses", _ALL)],
            value=(_ALL,),
            layout=widgets.Layout(width="auto", height="110px"),
        )
        self._poses.observe(self._chosen, "value")
        self._method = _choice(
            [("blended linearly", "linear"), ("dual quaternions", "dual_quaternion")]
        )
        self._scene = _choice([("not said", None), *_UNITS])
        self._written = _choice([("as they stand", None), *_UNITS])
        self._up = _choice([("Y points up", "y"), ("Z points up", "z")])
        self._written_up = _choice([("as it stands", None), ("Y up", "y"), ("Z up", "z")])
        self._folder = widgets.Text(
            placeholder="folder", layout=widgets.Layout(flex="1 1 80px", width="0")
        )
        self._replace = _box("replace", on=False)
        self._write = button("Write the files", self._make, "all of them, or none")
        self._stop = button("Stop", self._packing.stop, "stop, and write nothing")
        self._stop.disabled = True
        self._bar = widgets.FloatProgress(value=0.0, min=0.0, max=1.0)
        self._bar.add_class("rs-bar")
        self._bar.layout.visibility = "hidden"
        self._progress = widgets.HTML('<div class="rs-facts">&nbsp;</div>')
        self._results = widgets.HTML()

    def _arrange(self) -> widgets.VBox:
        made = widgets.VBox(
            [
                heading("Formats"),
                row(*self._formats.values(), self._text),
                heading("Poses; Ctrl chooses several"),
                self._poses,
                _field("animations", self._method),
                heading("Units and axes"),
                _field("a scene unit is", self._scene),
                _field("write lengths in", self._written),
                _field("in the scene", self._up),
                _field("write", self._written_up),
                heading("Files"),
                _field("folder", self._folder, self._replace),
                row(self._write, self._bar, self._stop),
                self._progress,
                self._results,
            ]
        )
        made.add_class("rs-review")
        return made

    def close(self) -> None:
        """Stop what goes on."""
        self._packing.stop()

    def refresh(self) -> None:
        """Offer the poses of the model as it is."""
        model = self._desk.model
        if not model.is_open:
            return
        options = [
            ("all kept poses and test poses", _ALL),
            ("the pose as it stands", _AS_IT_STANDS),
        ]
        options += [(f"kept: {short(name)}", ("kept", name)) for name in model.layout.poses]
        known = test_poses_of(model.layout)
        options += [(f"{p.name}: {p.describes}", ("test", p.name)) for p in known.values()]
        if list(self._poses.options) != options:
            offered = [value for _, value in options]
            chosen = [value for value in self._poses.value if value in offered]
            self._poses.options = options
            self._poses.value = chosen or [_ALL]
        self._offer_units(guess_unit(model.rig.mesh.diagonal))
        if not self._folder.value:
            self._folder.value = f"handoff/{model.rig.mesh.name}"

    def _offer_units(self, guess: str) -> None:
        options = [(f"not said; looks like the {guess}", None), *_UNITS]
        if list(self._scene.options) != options:
            said = self._scene.value
            self._scene.options = options
            self._scene.value = said

    def _chosen(self, _: object) -> None:
        if not self._poses.value:  # a click with Ctrl took the last one away
            self._poses.value = (_ALL,)

    # -- making ------------------------------------------------------------------------------

    def _parcel(self) -> Parcel:
        """What the fields say."""
        model = self._desk.model
        if not model.is_open:
            raise RibbonsimError("nothing is open yet: open a creature")
        folder = self._folder.value.strip()
        if not folder:
            raise RibbonsimError("there is no folder: write where the files shall go")
        formats = tuple(key for key, box in self._formats.items() if box.value)
        if not formats:
            raise RibbonsimError("no format is chosen: tick one or more")
        units = Units(
            self._scene.value, self._written.value, self._up.value, self._written_up.value
        )
        return Parcel(
            model.rig,
            Path(folder).expanduser(),
            formats,
            self._poses_asked(),
            self._method.value,
            units,
            self._text.value,
            self._replace.value,
        )

    def _poses_asked(self) -> dict[str, Pose] | None:
        model, asked = self._desk.model, self._poses.value
        if asked == (_ALL,):
            return None
        chosen: dict[str, Pose] = {}
        for kind, name in asked:
            if kind == "now":
                chosen["this pose" if model.pose.controls else "rest"] = model.pose
            elif kind == "all":
                chosen |= choose_poses(model.rig, None)
            elif kind == "kept":
                chosen[name] = model.layout.poses[name]
            else:
                chosen[name] = model.rig.pose_for(name)
        return chosen

    def _make(self) -> None:
        if self._desk.act(lambda: self._packing.make(self._parcel())):
            self._show_going()

    def _tell(self, words: str, share: float) -> None:
        """What goes on; on any thread."""
        self._bar.value = share
        text = f'<div class="rs-facts" role="status">{html.escape(words) or "&nbsp;"}</div>'
        if self._progress.value != text:
            self._progress.value = text
        self._show_going()

    def _show_going(self) -> None:
        going = self._packing.going
        self._stop.disabled = not going
        self._write.disabled = going
        self._bar.layout.visibility = "visible" if going else "hidden"

    def _take(self, done: Handoff, seconds: float) -> None:
        count = sum(len(files) for files in done.files.values())
        where = done.folder.resolve()
        files = "1 file" if count == 1 else f"{count} files"
        self._desk.say(f"{files} written into {where} in {seconds:.1f} s.")
        with self._lock:
            self._results.value = (
                f'<div class="rs-made"><p><b>{html.escape(str(where))}</b><br>'
                f"<span>{html.escape(done.units.sentence())}</span></p>"
                f"{''.join(_told(key, files) for key, files in done.files.items())}</div>"
            )


def _told(key: str, files: tuple[Path, ...]) -> str:
    """A format's files by name, those that can be looked at with a link that hands them over."""
    names = []
    for path in files:
        media = _MEDIA.get(path.suffix.lower())
        name = html.escape(path.name)
        if media is not None and path.stat().st_size <= _LARGEST_LINK and key != "tables":
            data = base64.b64encode(path.read_bytes()).decode()
            names.append(f'<a href="data:{media};base64,{data}" download="{name}">{name}</a>')
        else:
            names.append(name)
    return f"<p><b>{html.escape(_LABELS[key])}</b><br><span>{', '.join(names)}</span></p>"


def _field(label: str, *parts: widgets.Widget) -> widgets.HBox:
    return row(widgets.Label(label, layout=widgets.Layout(width=LABEL_WIDTH)), *parts)


def _box(label: str, on: bool = True, tip: str = "") -> widgets.Checkbox:
    made = widgets.Checkbox(value=on, description=label, indent=False, tooltip=tip)
    made.layout.width = "auto"
    return made


def _choice(options: Any) -> widgets.Dropdown:
    # without an index, a first option that stands for None is shown as an empty line
    return widgets.Dropdown(
        options=options,
        index=0,
        layout=widgets.Layout(flex="1 1 60px", width="0", min_width="60px"),
    )
