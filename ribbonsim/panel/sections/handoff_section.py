"""Handoff: which formats, poses, units and folder; where the files went."""

from __future__ import annotations

import html
from pathlib import Path

import ipywidgets as widgets

from ribbonsim.bendcheck.amounts import usual_pose
from ribbonsim.errors import RibbonsimError
from ribbonsim.handoff.clips import choose_poses
from ribbonsim.handoff.units import METRES, Units
from ribbonsim.handoff.whole import FORMATS, Handoff
from ribbonsim.layout.pose import Pose
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import (
    JobFields,
    button,
    choice,
    download,
    field,
    heading,
    pixels,
    row,
    text_field,
    tick,
)
from ribbonsim.panel.sections.motion_ticks import MotionTicks
from ribbonsim.panel.sections.pose_choice import ALL, AS_IT_STANDS, PoseChoice
from ribbonsim.panel.state.playing import Playing
from ribbonsim.panel.state.readout import guess_unit
from ribbonsim.panel.work.packing import Packing, Parcel
from ribbonsim.rig.take import Take

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
    playing : Playing
        The motion of the tab Motion, which leaves as it is set there.
    """

    def __init__(self, desk: Desk, playing: Playing) -> None:
        self._desk, self._playing = desk, playing
        self._packing = Packing(
            desk.handed(self._show_progress), desk.handed(self._take), desk.complain
        )
        self._make_fields()
        self.box = self._arrange()
        desk.on_change(self.refresh)

    def _make_fields(self) -> None:
        self._formats = {key: tick(label, True, tip=FORMATS[key]) for key, label in _LABELS.items()}
        self._text = tick("as text", tip="glTF and USD: .gltf with a .bin, and .usda")
        self._poses = PoseChoice(ALL, AS_IT_STANDS, height=pixels(110))
        self._motions = MotionTicks()
        self._method = choice(
            [("blended linearly", "linear"), ("dual quaternions", "dual_quaternion")]
        )
        self._scene = choice([("not said", None), *_UNITS])
        self._written = choice([("as they stand", None), *_UNITS])
        self._written_up = choice([("as it stands", None), ("Y up", "y"), ("Z up", "z")])
        self._folder = text_field("folder")
        self._replace = tick("replace")
        self._write = button("Write the files", self._make, "all of them, or none")
        self._job = JobFields(self._packing.stop, "stop, and write nothing")
        self._results = widgets.HTML()

    def _arrange(self) -> widgets.VBox:
        made = widgets.VBox(
            [
                heading("Formats"),
                row(*self._formats.values(), self._text),
                heading("Poses; Ctrl chooses several"),
                self._poses,
                heading("Motions, each an animation as set in its tab"),
                self._motions,
                field("animations", self._method),
                heading("Units and axes"),
                field("a scene unit is", self._scene),
                field("write lengths in", self._written),
                field("what points up", self._written_up),
                heading("Files"),
                field("folder", self._folder, self._replace),
                row(self._write, self._job.bar, self._job.stop),
                self._job.words,
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
        self._poses.offer(model.layout)
        self._motions.offer(model.rig)
        self._offer_units(guess_unit(model.rig.mesh.diagonal))
        if not self._folder.value:
            self._folder.value = f"handoff/{model.rig.mesh.name}"

    def _offer_units(self, guess: str) -> None:
        options = [(f"not said; looks like the {guess}", None), *_UNITS]
        if list(self._scene.options) != options:
            said = self._scene.value
            self._scene.options = options
            self._scene.value = said

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
            self._scene.value, self._written.value, model.layout.up, self._written_up.value
        )
        return Parcel(
            model.rig,
            Path(folder).expanduser(),
            formats,
            self._poses_asked(),
            self._motions_asked(),
            self._method.value,
            units,
            self._text.value,
            self._replace.value,
        )

    def _poses_asked(self) -> dict[str, Pose] | None:
        model, asked = self._desk.model, self._poses.value
        if asked == (ALL,):
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
                chosen[name] = usual_pose(model.rig, name)
        return chosen

    def _motions_asked(self) -> tuple[Take, ...]:
        rig = self._desk.model.rig
        return tuple(self._playing.named(rig, name) for name in self._motions.value)

    def _make(self) -> None:
        if self._desk.act(lambda: self._packing.make(self._parcel())):
            self._show_going()

    def _show_progress(self, words: str, share: float) -> None:
        self._job.show(words, share, self._packing.going)
        self._show_going()

    def _show_going(self) -> None:
        self._job.show_going(self._packing.going)
        self._write.disabled = self._packing.going

    def _take(self, done: Handoff, seconds: float) -> None:
        count = sum(len(files) for files in done.files.values())
        where = done.folder.resolve()
        files = "1 file" if count == 1 else f"{count} files"
        self._desk.say(f"{files} written into {where} in {seconds:.1f} s.")
        self._results.value = (
            f'<div class="rs-made"><p><b>{html.escape(str(where))}</b><br>'
            f"<span>{html.escape(done.units.sentence())}</span></p>"
            f"{''.join(_links(key, files) for key, files in done.files.items())}</div>"
        )


def _links(key: str, files: tuple[Path, ...]) -> str:
    """A format's files by name, those that can be looked at with a link that hands them over."""
    names = []
    for path in files:
        media = _MEDIA.get(path.suffix.lower())
        if media is not None and path.stat().st_size <= _LARGEST_LINK and key != "tables":
            names.append(download(path, path.read_bytes(), media, path.name))
        else:
            names.append(html.escape(path.name))
    return f"<p><b>{html.escape(_LABELS[key])}</b><br><span>{', '.join(names)}</span></p>"
