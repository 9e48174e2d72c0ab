"""What is said on standard error on the way: how far the work is, and what is odd."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from ribbonsim.cli.say import say
from ribbonsim.cli.stopping import check_stopped

if TYPE_CHECKING:
    from ribbonsim.arrays import Progress
    from ribbonsim.layout.layout import Layout
    from ribbonsim.mesh.creature import CreatureMesh
    from ribbonsim.rig.first_layout import BuildOptions


def count_of(number: int, noun: str) -> str:
    """A number with its noun, one or several."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def tell_notes(
    mesh: CreatureMesh,
    layout: Layout | None = None,
    building: BuildOptions | None = None,
    built: bool = False,
) -> None:
    """Say what is odd about a mesh, how it was read, and whether appendages were sought in vain.

    How it was read is said of a layout that was built, and not of one from a file.
    """
    from ribbonsim.rig.first_layout import BuildOptions
    from ribbonsim.rig.understood import main_sentences

    notes = list(mesh.notes)
    if built:
        notes += main_sentences(mesh, building or BuildOptions())
    if building is not None and building.appendages and layout and not layout.appendages:
        notes.append(f"No appendages were found on the body of {mesh.name}.")
    for note in notes:
        say(f"note: {note}", err=True)


@contextmanager
def progress_shown() -> Iterator[Progress]:
    """Show a bar on a terminal, else one plain line for each stage."""
    if not sys.stderr.isatty():
        yield _plain_line
        return
    with click.progressbar(length=1, width=28, show_eta=False, file=sys.stderr) as bar:

        def show(stage: str, done: int, total: int) -> None:
            check_stopped()
            bar.label, bar.length, bar.pos = f"{stage:<20}", max(total, 1), done
            bar.render_progress()

        yield show


def _plain_line(stage: str, done: int, total: int) -> None:
    check_stopped()
    if done == 0:
        say(f"{stage} ...", err=True)
