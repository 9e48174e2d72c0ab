"""For review: turntable, contact sheet and review page, with one frame to look at before."""

from __future__ import annotations

import html
from pathlib import Path

import ipywidgets as widgets

from ribbonsim.errors import RibbonsimError
from ribbonsim.files.writing import make_folder
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.pose import Pose
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import (
    JobFields,
    QuantityRow,
    button,
    choice,
    download,
    field,
    heading,
    pixels,
    row,
    set_options,
    text_field,
    tick,
)
from ribbonsim.panel.sections.pose_choice import AS_IT_STANDS, PoseChoice
from ribbonsim.panel.sections.quiet import Quiet
from ribbonsim.panel.state.names import short
from ribbonsim.panel.state.playing import Playing
from ribbonsim.panel.work.filming import Filming, Order, Product
from ribbonsim.rig.bind import rebind
from ribbonsim.rig.own_motions import motions_of
from ribbonsim.rig.rig import Rig
from ribbonsim.rig.take import Take
from ribbonsim.show.filming import SIZES
from ribbonsim.show.finish import FINISHES
from ribbonsim.show.moves import MOVEMENTS, CameraPath, Movement
from ribbonsim.show.page_of_pictures import PAPERS
from ribbonsim.show.slate import Slate
from ribbonsim.show.studio import Look

_WIDTH = 720
_MOST_LAYOUTS = 4
_BUTTON_WIDTH = "108px"
_LARGEST_LINK = 30_000_000
_MOTIONS = (("holds the pose", "hold"), ("bends in and out", "ease"))
_THROUGH = (("goes through them", "sequence"),)
# in front of the name of a motion of the creature
_ITS = "motion "
_CAMERAS = (
    ("goes round", ("clockwise", 1.0)),
    ("goes round the other way", ("counterclockwise", 1.0)),
    ("goes round twice", ("clockwise", 2.0)),
    ("stands still", ("clockwise", 0.0)),
)
_BEST, _AS_SEEN = "best", "seen"
_BEGINS = (
    ("from best side", _BEST),
    ("from your side", _AS_SEEN),
    ("from the front", 0.0),
    ("from the side", 90.0),
    ("from the back", 180.0),
)
_SKINS = (("clay", "clay"), ("parts apart", "two_tone"), ("edges", "wire"))
_FILMS = (("MP4", ".mp4"), ("GIF", ".gif"), ("WebP", ".webp"), ("APNG", ".apng"), ("PNG files", ""))
_SHEETS = (("PDF", ".pdf"), ("PNG", ".png"))
_TITLES: dict[Product, str] = {
    "turntable": "Turntable",
    "sheet": "Contact sheet",
    "page": "Review page",
}
_WORDS: dict[Product, str] = {"turntable": "turntable", "sheet": "sheet", "page": "review"}
_MOST_RESULTS = 4
_MEDIA = {
    ".mp4": "video/mp4",
    ".gif": "image/gif",
    ".webp": "image/webp",
    ".apng": "image/apng",
    ".png": "image/png",
    ".pdf": "application/pdf",
    ".html": "text/html",
}


class ReviewSection:
    """What goes to the one who decides.

    Parameters
    ----------
    playing : Playing
        The motion that is set in its own tab: it is filmed as it is set there.
    """

    _quiet = Quiet()

    def __init__(self, desk: Desk, playing: Playing) -> None:
        self._desk, self._playing = desk, playing
        self._filming = Filming(
            desk.handed(self._take_frame),
            desk.handed(self._show_progress),
            desk.handed(self._take_file),
            desk.complain,
        )
        self._open = False
        self._bound: list[tuple[Layout, Rig]] = []
        self._made: list[str] = []
        self._asked: tuple[Order | None, float] = (None, 0.0)
        self._make_fields()
        self._make_camera_fields()
        self._make_file_fields()
        self.box = self._arrange()
        desk.on_change(self.refresh)

    # -- fields ------------------------------------------------------------------------------

    def _make_fields(self) -> None:
        self._frame = widgets.Image(format="jpeg")
        self._frame.add_class("rs-frame")
        self._screen = widgets.VBox([])
        self._screen.add_class("rs-screen")
        self._moment = widgets.FloatSlider(
            value=0.0,
            min=0.0,
            max=1.0,
            step=0.01,
            readout=False,
            layout=widgets.Layout(flex="1 1 auto", width="auto"),
        )
        self._poses = PoseChoice(AS_IT_STANDS, height=pixels(78))
        self._beside = widgets.Checkbox(value=False, description="", indent=False)
        self._finish = choice([(name, name) for name in FINISHES])
        self._skin = choice(_SKINS)
        self._ribbon = tick("ribbon")
        for each in (self._poses, self._beside, self._finish, self._skin, self._ribbon):
            each.observe(self._changed, "value")
        self._moment.observe(self._changed, "value")

    def _make_camera_fields(self) -> None:
        self._motion = choice(_MOTIONS)
        self._camera = choice(_CAMERAS)
        self._begin = choice(_BEGINS)
        self._size = choice([(f"{w} × {h}", (w, h)) for w, h in [*SIZES.values(), (640, 360)]])
        self._fps = choice([(f"{fps} a second", fps) for fps in (24, 25, 30, 12)])
        self._height = QuantityRow(
            "height", "degrees above the horizon", -10.0, 85.0, 1.0, 12.0, self._changed
        )
        self._lens = QuantityRow(
            "lens", "millimetres, for a picture 24 mm high", 15.0, 200.0, 1.0, 50.0, self._changed
        )
        self._seconds = QuantityRow(
            "seconds", "how long the turntable is", 0.5, 60.0, 0.5, 4.0, self._changed
        )
        for each in (self._motion, self._camera, self._begin, self._size, self._fps):
            each.observe(self._changed, "value")

    def _make_file_fields(self) -> None:
        self._project = text_field("project")
        self._note = text_field("note")
        self._question = text_field("what is asked, for the page")
        for each in (self._project, self._note):
            each.observe(self._changed, "value")
        self._path = text_field("folder/name")
        self._film_ending = choice(_FILMS)
        self._sheet_ending = choice(_SHEETS)
        self._paper = choice([(paper.upper(), paper) for paper in PAPERS])
        self._replace = tick("replace")
        self._buttons = [
            button("Turntable", lambda: self._make("turntable"), "write it into a file"),
            button("Contact sheet", lambda: self._make("sheet"), "write it into a file"),
            button("Review page", lambda: self._make("page"), "turntable, sheet and verdict"),
        ]
        self._job = JobFields(self._filming.stop, "stop what is being made")
        self._result, self._older = widgets.HTML(), widgets.HTML()

    def _arrange(self) -> widgets.VBox:
        film, sheet, page = self._buttons
        for each in self._buttons:
            each.layout.width = _BUTTON_WIDTH
        made = widgets.VBox(
            [
                self._screen,
                field("moment", self._moment),
                heading("Poses; Ctrl chooses several"),
                self._poses,
                self._beside,
                heading("What is made"),
                row(film, self._film_ending),
                row(sheet, self._sheet_ending, self._paper),
                row(page, self._question),
                field("files", self._path, self._replace),
                row(self._job.bar, self._job.stop),
                self._job.words,
                self._result,
                heading("Turntable"),
                field("creature", self._motion),
                field("camera", self._camera, self._begin),
                self._height,
                self._lens,
                self._seconds,
                field("frames", self._fps, self._size),
                heading("Look and slate"),
                field("backdrop, skin", self._finish, self._skin, self._ribbon),
                field("slate", self._project, self._note),
                self._older,
            ]
        )
        made.add_class("rs-review")
        return made

    # -- the frame to look at ------------------------------------------------------------------

    def show(self, on: bool) -> None:
        """Tell whether the section is the one in front: only then its frame is drawn."""
        self._open = on
        self._ask_frame()

    def close(self) -> None:
        """Stop what goes on."""
        self._open = False
        self._filming.stop()

    def refresh(self) -> None:
        """Offer the poses and layouts of the model as it is, and show it."""
        model = self._desk.model
        if not model.is_open:
            return
        self._quiet = True
        try:
            self._poses.offer(model.layout)
            self._offer_layouts(list(model.shelf)[: _MOST_LAYOUTS - 1])
            if not self._path.value:
                self._path.value = f"review/{model.rig.mesh.name}"
            self._offer_motions()
        finally:
            self._quiet = False
        self._ask_frame()

    def _offer_layouts(self, names: list[str]) -> None:
        shown = ", ".join(short(name, 16) for name in names)
        words = f"beside what was put aside: {shown}" if names else "beside layouts put aside"
        self._beside.description, self._beside.disabled = words, not names
        if not names:
            self._beside.value = False

    def _offer_motions(self) -> None:
        """One pose is held or bent into; several follow each other; or a motion has its own."""
        rig = self._desk.model.rig
        offered = list(_THROUGH if len(self._poses.value) > 1 else _MOTIONS)
        offered += [(f"motion {name.replace('_', ' ')}", _ITS + name) for name in motions_of(rig)]
        chosen = self._motion.value
        known = [value for _, value in offered]
        set_options(self._motion, offered, chosen if chosen in known else known[0])

    def _changed(self, _: object = None) -> None:
        if self._quiet or not self._desk.model.is_open:
            return
        self._quiet = True
        try:
            self._offer_motions()
        finally:
            self._quiet = False
        self._ask_frame()

    def _ask_frame(self) -> None:
        if self._open and self._desk.model.is_open:
            try:
                order = self._order()
            except RibbonsimError as error:
                self._desk.complain(str(error))
                return
            share = self._moment.value
            if share != self._asked[1] or not order.looks_like(self._asked[0]):
                self._asked = order, share
                self._filming.show(order, share, _WIDTH)

    def _take_frame(self, jpeg: bytes) -> None:
        self._frame.value = jpeg
        if self._screen.children != (self._frame,):
            self._screen.children = (self._frame,)

    # -- what is ordered -----------------------------------------------------------------------

    def _order(self) -> Order:
        """What the fields say."""
        model = self._desk.model
        rigs, names = [model.rig], [model.layout.name or "this layout"]
        if self._beside.value:
            for name, layout in list(model.shelf.items())[: _MOST_LAYOUTS - 1]:
                rigs.append(self._rig_of(layout))
                names.append(name)
            names = _distinct(names)
        way, turns = self._camera.value
        begin = self._begin.value
        if begin == _AS_SEEN:
            begin = (self._desk.viewer.orbit.view.azimuth + 180.0) % 360.0 - 180.0
        start = None if begin == _BEST else begin
        motion, fps = self._motion_asked(), self._fps.value
        frames = max(2, round(self._seconds.value * fps))
        if isinstance(motion, Take):  # whole loops, as many as fill that time best
            loop = motion.count(fps)
            frames = loop * max(1, round(frames / loop))
        return Order(
            tuple(rigs),
            tuple(names),
            self._chosen_poses(),
            model.method,
            motion,
            CameraPath(start, self._height.value, self._lens.value, way, turns),
            Look(self._finish.value, self._skin.value),
            Slate(self._project.value.strip(), self._note.value.strip()),
            self._ribbon.value,
            self._size.value,
            frames,
            fps,
            self._paper.value,
            self._question.value.strip(),
        )

    def _motion_asked(self) -> Movement | Take:
        asked: str = self._motion.value
        if asked.startswith(_ITS):
            return self._playing.named(self._desk.model.rig, asked.removeprefix(_ITS))
        return next(each for each in MOVEMENTS if each == asked)

    def _chosen_poses(self) -> dict[str, Pose | float | None]:
        model = self._desk.model
        chosen: dict[str, Pose | float | None] = {}
        for kind, name in self._poses.value:
            if kind == "test":
                chosen[name] = None
            elif kind == "kept":
                chosen[name] = model.layout.poses[name]
            else:
                chosen["this pose" if model.pose.controls else "rest"] = model.pose
        return chosen

    def _rig_of(self, layout: Layout) -> Rig:
        mesh = self._desk.model.rig.mesh
        self._bound = [pair for pair in self._bound if pair[1].mesh is mesh]
        for known, rig in self._bound:
            if known is layout:
                return rig
        rig = rebind(self._desk.model.rig, layout)
        self._bound.append((layout, rig))
        return rig

    # -- making ------------------------------------------------------------------------------

    def _make(self, product: Product) -> None:
        ending = {
            "turntable": self._film_ending.value,
            "sheet": self._sheet_ending.value,
            "page": ".html",
        }[product]
        stem = self._path.value.strip()

        def make() -> None:
            if not stem:
                raise RibbonsimError("there is no path: write where the files shall go")
            path = Path(f"{stem}_{_WORDS[product]}{ending}").expanduser()
            order = self._order()
            make_folder(path.parent)
            self._filming.make(product, order, path, self._replace.value)

        if self._desk.act(make):
            self._show_going()

    def _show_progress(self, words: str, share: float) -> None:
        self._job.show(words, share, self._filming.going)
        self._show_going()

    def _show_going(self) -> None:
        self._job.show_going(self._filming.going)
        for each in self._buttons:
            each.disabled = self._filming.going

    def _take_file(self, product: Product, path: Path, words: str) -> None:
        data = path.read_bytes() if path.is_file() else b""
        self._desk.say(f"{_TITLES[product]} made: {path} ({words}).")
        self._made = [_result(product, path, words, data), *self._made][:_MOST_RESULTS]
        self._result.value = f'<div class="rs-made">{self._made[0]}</div>'
        self._older.value = f'<div class="rs-made">{"".join(self._made[1:])}</div>'
        shown = _player(path.suffix.lower(), data) if product != "page" else None
        if shown is not None and self._open:
            self._screen.children = (shown,)


def _result(product: Product, path: Path, words: str, data: bytes) -> str:
    """Where a file is, and a link that hands it over, as markup."""
    where, link = html.escape(str(path.resolve())), ""
    if data and len(data) <= _LARGEST_LINK:
        link = download(path, data, _MEDIA[path.suffix.lower()], "Download")
    return (
        f"<p><b>{_TITLES[product]}</b> {link}<br>{where}<br><span>{html.escape(words)}</span></p>"
    )


def _player(ending: str, data: bytes) -> widgets.Widget | None:
    """What shows a film or a picture in place of the frame."""
    if not data or len(data) > _LARGEST_LINK:
        return None
    shown: widgets.Widget
    if ending == ".mp4":
        shown = widgets.Video(value=data, format="mp4", autoplay=True, loop=True, controls=True)
    elif ending in (".gif", ".webp", ".apng", ".png"):
        shown = widgets.Image(value=data, format=ending[1:])
    else:
        return None
    shown.add_class("rs-frame")
    return shown


def _distinct(names: list[str]) -> list[str]:
    """The names, with numbers where two are the same."""
    distinct: list[str] = []
    for name in names:
        shown, count = name, 2
        while shown in distinct:
            shown, count = f"{name} {count}", count + 1
        distinct.append(shown)
    return distinct
