"""A suggestion as a page: the plot, the outcome in words, and even beside suggested."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Array, Bytes, Floats, Progress
from ribbonsim.bendcheck.exact import exact_skin, motions_to
from ribbonsim.files.writing import Bundle, FileName
from ribbonsim.pages.html import (
    METHOD_WORDS,
    Embedded,
    Table,
    embed,
    encode_png,
    inline_plots,
    render_page,
    shell_path,
)
from ribbonsim.placing.asked import Asked
from ribbonsim.placing.result import Placed, Suggestion
from ribbonsim.placing.words import number_word, per_cent, poses_in_words
from ribbonsim.rig.bind import rebind
from ribbonsim.rig.rig import Rig
from ribbonsim.view.camera import View, telling_view
from ribbonsim.view.look import Scale
from ribbonsim.view.pictures import BAR_ROOM, clear_stage
from ribbonsim.view.placing_plot import plot_suggestion
from ribbonsim.view.plot_style import Plot
from ribbonsim.view.scene import Stage

SIZE = (560, 420)
FILES = (
    "index.html",
    "suggestion.json",
    "suggestion.png",
    "even.png",
    "suggested.png",
    "even_error.png",
    "suggested_error.png",
)


@dataclass(frozen=True)
class Shown:
    """A picture of the page.

    Parameters
    ----------
    picture : Embedded
    words : str
        Below it.
    alt : str
        For those who cannot see it.
    """

    picture: Embedded
    words: str
    alt: str


@dataclass(frozen=True, eq=False)
class _Skin:
    """One layout in the worst pose."""

    positions: Floats
    normals: Floats
    away: Array


def write_suggestion(
    found: Suggestion,
    folder: FileName,
    mesh_path: str = "",
    layout_path: str = "",
    force: bool = False,
    progress: Progress | None = None,
) -> None:
    """Write page, pictures and numbers of a suggestion into a folder.

    Parameters
    ----------
    found : Suggestion
    folder : path
        Made if it is not there.
    mesh_path, layout_path : str
        For the commands that the page suggests.
    force : bool
        Replace files that are there.
    progress : callable, optional

    Raises
    ------
    RibbonsimError
        If a file is in the way or cannot be written.
    """
    tell = progress or (lambda *_: None)
    with Bundle(folder, force) as bundle:
        bundle.claim(FILES)
        tell("draw", 0, 1)
        worst = worst_pose(found)
        pictures = _draw(found, worst)
        plot = plot_suggestion(found)
        tell("write", 0, 1)
        files: dict[str, str | bytes] = {
            name: encode_png(picture) for name, picture in zip(FILES[3:], pictures, strict=True)
        }
        files["suggestion.png"] = encode_png(plot.picture())
        files["suggestion.json"] = json.dumps(found.to_dict(), indent=2, ensure_ascii=False)
        files["index.html"] = render_suggestion(
            found, worst, pictures, plot, mesh_path, layout_path
        )
        bundle.write(files)
        tell("write", 1, 1)


def worst_pose(found: Suggestion) -> Asked:
    """The pose in which the even layout misses most."""
    misses = found.even[found.recommended].misses
    return max(found.asked, key=lambda one: one.weight * misses[one.name].skin)


def _draw(found: Suggestion, one: Asked) -> list[Bytes]:
    """Even and suggested in clay, then both coloured by distance from the asked skin."""
    number = found.recommended
    rigs = [rebind(found.rig, placed[number].layout) for placed in (found.even, found.suggested)]
    skins = [_skin(rig, one, found) for rig in rigs]
    points = np.vstack([skin.positions for skin in skins])
    body = next(iter(one.targets.values()))
    view = telling_view(body.frames[::8, :3, 3], up=found.rig.layout.up)
    scale = Scale(
        "distance from the asked skin, % of the body length",
        0.0,
        float(f"{100.0 * max(float(skin.away.max()) for skin in skins):.1g}") or 1.0,
        unit=" %",
    )
    pictures = []
    with Stage(found.rig.mesh, SIZE) as stage:
        for values in (None, scale):
            pictures += [_picture(stage, skin, view, points, values) for skin in skins]
    return pictures


def _skin(rig: Rig, one: Asked, found: Suggestion) -> _Skin:
    pose = rig.fit_all(one.targets)
    positions = rig.deform(pose, found.method)
    asked = exact_skin(rig, motions_to(rig, one.targets))[0]
    away = np.linalg.norm(positions - asked, axis=1) / rig.layout.ribbon.length
    return _Skin(positions, rig.deform_normals(pose, found.method), away)


def _picture(stage: Stage, skin: _Skin, view: View, points: Floats, scale: Scale | None) -> Bytes:
    clear_stage(stage)
    stage.update(skin.positions, skin.normals)
    if scale is None:
        stage.show_clay()
        stage.set_view(view, np.asarray(points, dtype=float), fill=0.88)
    else:
        stage.show_values(100.0 * skin.away, scale)
        stage.set_view(view, np.asarray(points, dtype=float), insets=BAR_ROOM)
    return stage.image()


# -- the page ------------------------------------------------------------------------------------


def render_suggestion(
    found: Suggestion,
    worst: Asked,
    pictures: Sequence[Bytes],
    plot: Plot,
    mesh_path: str,
    layout_path: str,
) -> str:
    """Render the page of a suggestion."""
    number = found.recommended
    both = [found.even[number], found.suggested[number]]
    captions = [
        f"{number_word(number).capitalize()} even controls: {per_cent(both[0].skin_error)}",
        f"{number_word(number).capitalize()} suggested: {per_cent(both[1].skin_error)}",
    ]
    words = [*captions, *(f"{text}, where" for text in captions)]
    return render_page(
        "suggest.html",
        found.rig.mesh.name,
        source=found.rig.mesh.source,
        number=number,
        main=found.sentences[0],
        rest=found.sentences[1:],
        holds=found.holds,
        poses=poses_in_words(found),
        worst=worst.wish.shown,
        plot=inline_plots([plot])[0],
        shown=[
            Shown(embed(picture), caption, f"{found.rig.mesh.name} in {worst.wish.bare}: {caption}")
            for picture, caption in zip(pictures, words, strict=True)
        ],
        table=_numbers(found),
        stands=_stands(found.best),
        broken=found.best.broken or (),
        method=METHOD_WORDS[found.method],
        commands=_commands(found, mesh_path, layout_path),
    )


def _numbers(found: Suggestion) -> Table:
    heads = ("controls", "even", "suggested", "even, shape", "suggested, shape", "at")
    rows = []
    for number in found.numbers:
        even, placed = found.even[number], found.suggested[number]
        alike = np.array_equal(even.controls, placed.controls)
        at = "even" if alike else ", ".join(f"{place:.2f}" for place in placed.controls)
        errors = even.skin_error, placed.skin_error, even.shape_error, placed.shape_error
        rows.append((str(number), *(per_cent(error) for error in errors), at))
    marked = frozenset({found.numbers.index(found.recommended)})
    caption = (
        "Skin: root mean square distance from the skin that rides the asked shape exactly, in the "
        "worst pose, of the body length. Shape: the same of the midline."
    )
    return Table(heads, tuple(rows), words=frozenset({5}), caption=caption, marked=marked)


def _stands(placed: Placed) -> Table:
    own = placed.layout.ribbons[placed.ribbon]
    rows = tuple(
        (control.name, str(control.station), f"{place:.3f}", f"{control.reach:g}")
        for control, place in zip(own.controls, placed.controls, strict=True)
    )
    count = len(placed.stations)
    stands = ", ".join(f"{place:.2f}" for place in placed.stations)
    return Table(
        ("control", "station", "place", "reach"),
        rows,
        caption=f"{count} stations, at {stands} of the length.",
    )


def _commands(found: Suggestion, mesh_path: str, layout_path: str) -> list[tuple[str, str]]:
    mesh = shell_path(mesh_path or "creature.obj")
    layout = shell_path(layout_path or "suggested.toml")
    poses = ",".join(
        one.name if one.wish.amount is None else f"{one.name}={one.wish.amount:g}"
        for one in found.asked
        if one.wish.pose is None
    )
    motions = dict.fromkeys(
        one.wish.instant.take.motion.name for one in found.asked if one.wish.instant is not None
    )
    # a check takes poses or motions
    listed = f" --motions {','.join(motions)}" if motions else f" --poses {poses}" if poses else ""
    return [
        ("See it in every test pose.", f"ribbonsim preview {mesh} --layout {layout} --out preview"),
        (
            "Say whether it bends right, and what to try.",
            f"ribbonsim check {mesh} --layout {layout}{listed} --out checked",
        ),
        (
            "Hold it against a layout of your own.",
            f"ribbonsim compare {mesh} {layout} mine.toml{listed} --out compared",
        ),
    ]
