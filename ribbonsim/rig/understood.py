"""What was understood of a creature, in sentences."""

from __future__ import annotations

import numpy as np

from ribbonsim.body.guide import Guide, read_guide
from ribbonsim.body.inside import inside_of
from ribbonsim.body.pieces import pieces_of
from ribbonsim.body.up_guess import likelier_up
from ribbonsim.layout.layout import Layout
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.rig.first_layout import BuildOptions
from ribbonsim.rig.small_parts import ties_in_words, ties_of_small_pieces


def how_it_was_read(mesh: CreatureMesh, options: BuildOptions) -> Guide:
    """The guide that a layout was built along, with what was understood on the way."""
    return read_guide(mesh, options.root, options.tip, options.up)


def main_sentences(mesh: CreatureMesh, options: BuildOptions) -> list[str]:
    """Pieces, an axis that looks more like up, and which end is the root and why."""
    guide = how_it_was_read(mesh, options)
    said = pieces_of(mesh).sentences(options.ties)
    likelier = likelier_up(mesh, options.up)
    if likelier is not None:
        said.append(
            f"{mesh.name} looks as if {likelier} were up, and {options.up} is taken: if it lies on "
            f"its side in the pictures, give --up {likelier}."
        )
    if options.swap:
        said.append("The root is at the end that was found to be the tip, as --swap asks.")
    elif options.root is not None or options.tip is not None:
        said.append(f"The root is {guide.why_root}.")
    else:
        said.append(f"The root is {guide.why_root}; --swap exchanges root and tip.")
    return said


def all_sentences(mesh: CreatureMesh, layout: Layout, options: BuildOptions) -> list[str]:
    """All that was understood: the main sentences, ends, sides, limbs, spans, who stands still."""
    ends = layout.ribbon.midline(np.array([0.0, 1.0]))
    root, tip = (", ".join(f"{value:.4g}" for value in end) for end in ends)
    halves = inside_of(mesh).halves
    if halves is None:
        sides = "No plane parts its left from its right."
    else:
        normal = inside_of(mesh).axes @ halves.normal
        axis = "xyz"[int(np.argmax(np.abs(normal)))]
        tilt = np.degrees(np.arccos(min(float(np.abs(normal).max()), 1.0)))
        across = f"across {axis}" if tilt < 1.0 else f"{tilt:.0f}° off the plane across {axis}"
        sides = (
            f"Left and right are alike {across}, which holds for {100 * halves.share:.0f} % of "
            "the skin."
        )
    still = [control.name for control in layout.controls if control.carried_by is None]
    names = [appendage.name for appendage in layout.appendages]
    return [
        f"Up is {layout.up}.",
        *main_sentences(mesh, options),
        f"The ribbon runs from {root} to {tip}, over {layout.ribbon.length:.4g} units.",
        sides,
        f"Appendages: {', '.join(names)}." if names else "No appendages have ribbons.",
        *_tied(mesh, layout),
        f"{layout.ribbon.spans} spans follow its curves"
        + (": as many as an even bend needs." if options.spans is None else ", as given."),
        f"{still[0]} stands still and carries the others: it is where the body rests."
        if len(still) == 1
        else "Each control stands alone.",
    ]


def _tied(mesh: CreatureMesh, layout: Layout) -> list[str]:
    """Which small pieces are tied to which stations, or would be."""
    if layout.ties:
        return [f"Tied: {ties_in_words(layout.ties)}."]
    proposed = ties_of_small_pieces(mesh, layout)
    return [f"--ties would tie {ties_in_words(proposed)}."] if proposed else []
