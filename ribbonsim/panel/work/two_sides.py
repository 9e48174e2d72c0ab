"""Before and after: another layout beside the one that stands, in its pose and its picture."""

from __future__ import annotations

from dataclasses import dataclass, replace

from ribbonsim.arrays import Bytes
from ribbonsim.layout.pose import Pose
from ribbonsim.panel.state.before_after import BeforeAfter
from ribbonsim.panel.state.bench import PoseRequest
from ribbonsim.panel.work.marks import Marker, Marks
from ribbonsim.panel.work.split_picture import draw_line, join_sides, line_at, on_side
from ribbonsim.panel.work.subject import Subject
from ribbonsim.rig.rig import Method, Rig


@dataclass(frozen=True, eq=False)
class Sides:
    """The layout that stands and another, in one pose.

    Parameters
    ----------
    rig, pose, method
        Of the one that stands.
    beside : BeforeAfter
        The other.
    request : PoseRequest
        The pose, as the other is asked for it.
    """

    rig: Rig
    pose: Pose
    method: Method
    beside: BeforeAfter
    request: PoseRequest

    def same(self, other: Sides | None) -> bool:
        """Whether what is measured of the one holds of the other."""
        return (
            other is not None
            and self.beside is other.beside
            and self.rig is other.rig
            and self.method == other.method
            and self.pose == other.pose
            and self.request.key == other.request.key
        )


@dataclass(frozen=True, eq=False)
class TwoFigures:
    """A measure of both sides, in words.

    Parameters
    ----------
    of : Sides
        What was measured.
    here, there : str
        Of the layout that stands, and of the other.
    """

    of: Sides
    here: str
    there: str


class TwoSides:
    """The other side of a picture: posed alike, named, and joined at a line.

    Attributes
    ----------
    divider : float
        Where the line stands, a share of the width.
    figures : TwoFigures or None
        What was measured last; it is told while it holds.
    """

    def __init__(self) -> None:
        self.divider = 0.5
        self.figures: TwoFigures | None = None
        self._fitted: tuple[object, Pose] = None, Pose()

    @staticmethod
    def of(subject: Subject) -> Sides | None:
        """Both layouts in their pose; None where one is seen alone."""
        if subject.beside is None:
            return None
        return Sides(subject.rig, subject.pose, subject.method, *subject.beside)

    def _both(self, subject: Subject) -> Sides:
        sides = self.of(subject)
        if sides is None:
            raise ValueError("nothing stands beside this layout")
        return sides

    def other(self, subject: Subject) -> Subject:
        """The other layout in the same pose, which is fitted once."""
        sides = self._both(subject)
        rig, asked = sides.beside.other, (sides.beside, sides.request.key)
        if self._fitted[0] != asked:
            self._fitted = asked, sides.request.fit(rig)
        names = rig.layout.all_control_names
        selected = subject.selected if subject.selected in names else names[0]
        return replace(
            subject,
            rig=rig,
            pose=self._fitted[1],
            method=sides.beside.method,
            selected=selected,
            spot=None,
            beside=None,
        )

    def names(self, subject: Subject) -> tuple[str, str]:
        """What the layout that stands and the other are, with what is measured of them."""
        sides = self._both(subject)
        here, there = ("after", "before") if sides.beside.is_before else ("before", "after")
        told = self.figures
        if told is None or not sides.same(told.of):
            return here, there
        return f"{here} · {told.here}", f"{there} · {told.there}"

    def join(
        self, subject: Subject, marker: Marker, pictures: tuple[Bytes, Bytes], marks: Marks
    ) -> Bytes:
        """One picture of both, the layout that stands and the other.

        What is marked is the layout that stands, on its own side.
        """
        here, there = pictures
        after, wide = self._both(subject).beside.is_before, here.shape[1]
        at = line_at(self.divider, wide)
        drawn = marker.draw(here, replace(marks, controls=(), named=()))
        sides = (there, drawn) if after else (drawn, there)
        joined = join_sides(*sides, self.divider)
        own = (at, wide) if after else (0, at)
        names = self.names(subject)
        joined = draw_line(
            joined, self.divider, names[::-1] if after else names, int(after), marker.canvas.grain
        )
        return marker.draw(joined, on_side(marks, *own))
