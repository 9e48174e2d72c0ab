"""The search: tables once, then for each number of controls the even layout and a better one."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np

from ribbonsim.arrays import Array, Progress
from ribbonsim.bendcheck.cases import PoseList
from ribbonsim.bendcheck.exact import motions_to
from ribbonsim.bendcheck.floor import floor_of
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.settings import DEFAULT_REACH, OTHER_DRIVE, Drive
from ribbonsim.placing.asked import groups_of, read_poses
from ribbonsim.placing.broken import LimitsCheck
from ribbonsim.placing.choice import error_of, is_enough, recommended, so_far
from ribbonsim.placing.drive_model import DriveModel
from ribbonsim.placing.grown import SKINNED_REACHES, Growing
from ribbonsim.placing.judge import CannotPoseError, Judge, Measured, vertex_areas
from ribbonsim.placing.knots import with_knots
from ribbonsim.placing.layouts import Layouts
from ribbonsim.placing.line import Line, line_of
from ribbonsim.placing.proposals import Group, places_on
from ribbonsim.placing.result import FloorFigures, Placed, Suggestion
from ribbonsim.placing.seats import MissTable, best_for_worst
from ribbonsim.placing.wanted import MOST_CONTROLS, Wanted, check_wanted
from ribbonsim.placing.words import ALIKE, number_word, sentences_of, with_other_drive
from ribbonsim.rig.bind import rebind
from ribbonsim.rig.carry_over import carry_over
from ribbonsim.rig.rig import Rig

# numbers of stations that are tried for the layout that is recommended, and by how much fewer of
# them may always add to the skin error
_STATIONS, _AS_GOOD = (7, 9, 11, 13, 15, 17, 21, 25, 33), 1.1
# among layouts whose errors are so near to the least, broken limits count; what misses so many
# times as much as is enough is not weighed any further
_ALIKE, _NEAR = 1.1, 2.0
# stations of the layout that shows what many would reach
_MANY = 33


class Search:
    """A search for one rig; :meth:`run` gives what is found so far, again and again.

    Parameters
    ----------
    rig : Rig
    poses : Pose, mapping, sequence of str or None
        As for :func:`ribbonsim.check`, or names of kept poses.
    weights : mapping of str to float or None
        By pose.
    wanted : Wanted

    Raises
    ------
    RibbonsimError
        If poses, weights, numbers or names cannot be used.
    """

    def __init__(
        self, rig: Rig, poses: PoseList, weights: Mapping[str, float] | None, wanted: Wanted
    ) -> None:
        check_wanted(rig.layout, wanted)
        self.rig, self.wanted = rig, wanted
        self._gauge = Gauge(rig)
        self.asked = read_poses(self._gauge, poses, weights)
        self._layouts = Layouts(rig, wanted.keep)
        self._kink, self._near = rig.layout.limits.kink, np.inf

    def run(self, progress: Progress | None = None) -> Iterator[Suggestion]:
        """Search one number of controls after the other.

        Parameters
        ----------
        progress : callable, optional
            Called as ``progress(what, done, total)``; raise in it to stop.

        Yields
        ------
        Suggestion
            All that is known after each number; the last one is the whole answer.
        """
        show = progress or (lambda *_: None)
        numbers = range(self.wanted.fewest, self.wanted.most + 1)
        total = len(numbers) + 2
        show("measure what no layout can do", 0, total)
        _ = self.floor
        show("weigh all pieces", 1, total)
        _ = self.groups
        even = {number: self._even(number) for number in numbers}
        suggested: dict[int, Placed] = {}
        goal = self._goal(even)
        self._near = _NEAR * goal
        for done, number in enumerate(numbers, start=2):
            show(so_far(suggested, goal), done, total)
            placed = self._best(number, even[number], suggested.get(number - 1))
            if not any(is_enough(one, goal) for one in suggested.values()):
                placed = self._with_own_stations(placed, even[number], goal)
                if placed.skin_error <= goal:
                    placed = self._looked_at(placed)
            suggested[number] = placed
            yield self._suggestion(even, suggested)
        if not any(is_enough(one, goal) for one in suggested.values()):
            for found in (even, suggested):
                found |= {each: self._looked_at(one) for each, one in found.items()}
            self._take_even_that_keeps(suggested, even, goal)
        number = recommended(suggested, goal)
        even[number] = self._looked_at(even[number])
        show(so_far(suggested, goal), total - 1, total)
        own = suggested[number].layout.drive
        both = even[number].layout, suggested[number].layout
        other = self._turned([layout.with_drive(own) for layout in both])
        least = self.judge.skin_error(self.judge.whole(other[0])) if other else None
        yield with_other_drive(self._suggestion(even, suggested), OTHER_DRIVE[own], least)

    # -- once --------------------------------------------------------------------------------------

    @cached_property
    def floor(self) -> dict[str, FloorFigures]:
        """What an exact ribbon does in each pose."""
        found = {}
        for one in self.asked:
            floor = floor_of(self._gauge, motions_to(self.rig, one.targets))
            folds = int(np.count_nonzero(floor.folded))
            small, large = float(floor.stretch[:, 1].min()), float(floor.stretch[:, 0].max())
            found[one.name] = FloorFigures(folds, small, large, float(floor.volume))
        return found

    @cached_property
    def limit(self) -> float:
        """Skin error of a layout with many stations and a control at every other one."""
        places = [np.linspace(0.0, 1.0, _MANY // 2 + 1) for _ in self.groups]
        return self.judge.skin_error(self.judge.rough(self._layout(places, DEFAULT_REACH, _MANY)))

    @cached_property
    def mine(self) -> float:
        """Skin error of the layout that the search began with."""
        return self.judge.skin_error(self.judge.rough(self.rig.layout))

    @property
    def bends(self) -> tuple[Array, Array]:
        """Places along the first ribbon that moves, and how sharply the poses bend there."""
        line = self.groups[0].lines[0]
        return 0.5 * (line.lengths[1:] + line.lengths[:-1]), line.sharpest

    @cached_property
    def knotted(self) -> tuple[Layout, tuple[float, ...]]:
        """The layout with knots added where exact frames leave a kink, and where."""
        layout, added = self.rig.layout, list[float]()
        for name in {name for names in groups_of(self.rig, self.asked) for name in names}:
            own = layout.ribbons[name]
            targets = [one.targets[name] for one in self.asked if name in one.targets]
            ribbon, knots = with_knots(own.ribbon, targets, self._kink)
            if len(knots):
                layout = layout.with_ribbon(name, replace(own, ribbon=ribbon))
                added += (ribbon.arc_length(knots) / ribbon.length).tolist()
        return layout, tuple(added)

    @cached_property
    def judge(self) -> Judge:
        """What measures layouts by their real drive and skin."""
        return Judge(rebind(self.rig, self.knotted[0]), self.asked, self.wanted.method)

    @cached_property
    def groups(self) -> list[Group]:
        """The ribbons that take poses, with the tables of their search."""
        return [self._group(names) for names in groups_of(self.rig, self.asked)]

    @cached_property
    def _growing(self) -> Growing:
        return Growing(self.judge, self._layouts, self.groups, self.wanted.stations is None)

    def _group(self, names: tuple[str, ...]) -> Group:
        held = self._layouts.held(names[0])
        lines = [self._line(name, held) for name in names]
        stand = None if names[0] != BODY else self._layouts.standing / self.rig.layout.ribbon.length
        models = [DriveModel(line, stand) for line in lines]
        found = best_for_worst(MissTable.of(lines, held), self.wanted.most)
        seats = [lines[0].seat_lengths[one.seats] for one in found]
        return Group(names, lines, models, held, seats, self._kink)

    def _line(self, name: str, held: Sequence[float]) -> Line:
        rig = self.judge.rig
        ribbon, areas = rig.layout.ribbons[name].ribbon, vertex_areas(rig.mesh)
        points, places = rig.mesh.positions, rig.places
        if name != BODY:
            limb = rig.limbs[name]
            share = rig.mesh_weights[limb.vertices, rig.joints_of[name]].sum(axis=1)
            points, places = points[limb.vertices], limb.places
            areas = areas[limb.vertices] * share
        away = np.linalg.norm(points - ribbon.midline(ribbon.place_at(places)), axis=1)
        mine = [one for one in self.asked if name in one.targets]
        targets, weights = [one.targets[name] for one in mine], [one.weight for one in mine]
        return line_of(ribbon, targets, weights, places, away, areas, held)

    # -- one number of controls --------------------------------------------------------------------

    def even_layout(self, number: int) -> Layout:
        """So many controls spread evenly over the ribbons that take poses."""
        names = [name for group in self.groups for name in group.names]
        layout = self._layouts.even(names, number)
        return layout.with_drive(self.wanted.drive or layout.drive)

    def _even(self, number: int) -> Placed:
        try:
            return self._placed(self.judge.rough(self.even_layout(number)))
        except CannotPoseError as error:
            raise RibbonsimError(self._why_not(number, error.pose)) from error

    def _why_not(self, number: int, pose: str) -> str:
        """What so many controls that a surface is skinned to cannot do, and what to do."""
        said = (
            f"{number_word(number)} controls cannot do {pose} with the surface skinned to them, as "
            "it comes to nothing between two of them: "
        )
        for more in range(number + 1, MOST_CONTROLS + 1):
            with contextlib.suppress(CannotPoseError):
                self.judge.rough(self.even_layout(more))
                return f"{said}seek {more} controls or more, or let shares drive the ribbons"
        return f"{said}let shares drive the ribbons, or ask for less"

    def _best(self, number: int, even: Placed, before: Placed | None) -> Placed:
        """The best that the tables propose by the real drive and skin, or else the even layout.

        Parameters
        ----------
        number : int
            Of controls.
        even : Placed
            The even layout of so many.
        before : Placed or None
            What was suggested for one control less.
        """
        found = [even]
        if close := self._within(self._proposed(number, before), _ALIKE * even.skin_error):
            found.append(self._closest(close))
        if self.wanted.drive is None:
            most = _ALIKE * min(map(error_of, found))
            if turned := self._turned([one.layout for one in found], most):
                found.append(self._closest(turned))
        if before is not None and min(map(error_of, found)) > before.skin_error:
            grown = self._growing.grown(before.layout, before.reach, before.skin_error)
            found.append(self._told(grown))
        found.sort(key=error_of)  # equals stay in this order
        alike = min(_ALIKE * found[0].skin_error, even.skin_error)
        if before is not None:
            alike = min(alike, before.skin_error)
        others = [one for one in found[1:] if one.skin_error <= alike]
        return self._keeping(found[0], others) if others else found[0]

    def _keeping(self, best: Placed, others: Iterable[Placed]) -> Placed:
        """The best, or of others that are all but as good what breaks fewer limits."""
        if best.skin_error > self._near:
            return best
        best, left = self._looked_at(best), iter(others)
        while best.broken and (one := next(left, None)) is not None:
            best = self._breaking(one, len(best.broken) - 1) or best
        return best

    def _proposed(self, number: int, before: Placed | None) -> Iterator[Layout]:
        each = [group.best(number) for group in self.groups]
        # one reach for all ribbons: that of the first, which is the body's if it moves
        reach, stations = each[0][2], self.wanted.stations
        yield self._layout([plain for plain, _, _ in each], DEFAULT_REACH, stations)
        if reach != DEFAULT_REACH:
            yield self._layout([wide for _, wide, _ in each], reach, stations)
        if self.wanted.drive == "skinned":
            # the tables are of shares: how far joints had best reach, only the real skin tells
            for near in SKINNED_REACHES:
                yield self._layout([plain for plain, _, _ in each], near, stations)
        if before is not None:
            places = [
                group.with_one_more(places_on(before.layout, group), before.reach)
                for group in self.groups
            ]
            yield self._layout(places, before.reach, stations)

    def _turned(self, layouts: Sequence[Layout], most: float = np.inf) -> list[Measured]:
        """Layouts under the drive that each does not have, the best first.

        A surface that is skinned to controls far apart twists to nothing between them: what
        cannot be posed is left out.
        """
        can = self._within((one.with_drive(OTHER_DRIVE[one.drive]) for one in layouts), most)
        return sorted(can, key=self.judge.skin_error)

    def _within(self, layouts: Iterable[Layout], most: float) -> list[Measured]:
        """Layouts that can be posed, miss no more than a bound, and may be among the closest."""
        found = []
        for layout in layouts:
            with contextlib.suppress(CannotPoseError):
                if one := self.judge.rough_within(layout, most):
                    found.append(one)
                    most = min(most, _ALIKE * self._score(one))
        return found

    def _closest(self, rough: Sequence[Measured]) -> Placed:
        """The best of some layouts, or what is all but as good and breaks fewer limits."""
        rough = sorted(rough, key=self._score)
        least, best = self._score(rough[0]), self._placed(rough[0])
        others = [one for one in rough[1:] if self._score(one) <= _ALIKE * least]
        return self._keeping(best, map(self._placed, others)) if others else best

    def _score(self, measured: Measured) -> float:
        return self.judge.score(measured, self._kink)

    def _layout(
        self,
        places: Sequence[Array],
        reach: float,
        stations: int | None,
        drive: Drive | None = None,
    ) -> Layout:
        # the tables are of shares, so that is what they propose unless another drive has to be
        base = self.knotted[0].with_drive(drive or self.wanted.drive or "shares")
        return self._layouts.placed(base, self.groups, places, reach, stations)

    def _placed(self, rough: Measured) -> Placed:
        return self._told(self.judge.whole(rough))

    def _told(self, measured: Measured) -> Placed:
        layout = measured.rig.layout
        if self.rig.layout.poses:
            poses = {
                name: carry_over(self.rig, measured.rig, pose)
                for name, pose in self.rig.layout.poses.items()
            }
            layout = replace(layout, poses=poses)
        return Placed(
            layout,
            self.judge.skin_error(measured),
            max(miss.shape for miss in measured.misses.values()),
            measured.misses,
            self.groups[0].names[0],
            measured,
        )

    # -- the answer --------------------------------------------------------------------------------

    def _goal(self, even: Mapping[int, Placed]) -> float:
        """The skin error that is enough: what is wanted, or what the best even layout has."""
        if self.wanted.within is not None:
            return self.wanted.within / 100.0
        return (1.0 + ALIKE) * min(one.skin_error for one in even.values())

    def _with_own_stations(self, placed: Placed, even: Placed, goal: float) -> Placed:
        """The same controls on the fewest stations that are enough; on as many if none are."""
        if self.wanted.stations is not None or placed.ribbon != BODY:
            return placed
        enough, now = placed.skin_error <= goal, len(placed.stations)
        if enough and placed is even:
            return placed
        # fewer stations may not use up what better places have gained
        kept = max(_AS_GOOD * placed.skin_error, 0.5 * even.skin_error)
        limit = min(goal, kept, even.skin_error) if enough else goal
        places = [places_on(placed.layout, group) for group in self.groups]
        least = len(places[0]) + 2
        counts = [count for count in _STATIONS if (count < now if enough else count > now)]
        most, told = counts[-1:], (placed.reach, placed.layout.drive)
        if not enough and not (
            self._model_miss(places, placed.reach) <= _NEAR * limit
            and all(self._rough_on(count, places, *told, limit) for count in most)
        ):
            return placed
        for count in counts:
            if count < least:
                continue
            tried = self._rough_on(count, places, *told, limit)
            if whole := tried and self.judge.whole_within(tried, limit):
                placed = self._looked_at(placed)
                if looked := self._breaking(self._told(whole), len(placed.broken or ())):
                    return looked
        return placed

    def _model_miss(self, places: Sequence[Array], reach: float) -> float:
        """What controls miss by the model, which knows no stations."""
        return max(group.miss(each, reach) for group, each in zip(self.groups, places, strict=True))

    def _rough_on(
        self, stations: int, places: Sequence[Array], reach: float, drive: Drive, most: float
    ) -> Measured | None:
        return self.judge.rough_within(self._layout(places, reach, stations, drive), most)

    @cached_property
    def _limits(self) -> LimitsCheck:
        return LimitsCheck(self._gauge, self.asked, self.wanted.method)

    def _looked_at(self, placed: Placed) -> Placed:
        """The same with the limits that it breaks on the whole skin."""
        return self._breaking(placed) or placed

    def _breaking(self, placed: Placed, most: float = np.inf) -> Placed | None:
        """The same with the limits that it breaks; None if these are more than may be."""
        if placed.broken is not None:
            return placed if len(placed.broken) <= most else None
        broken = self._limits.broken(placed.measured, most)
        return None if broken is None else replace(placed, broken=broken)

    @staticmethod
    def _take_even_that_keeps(
        suggested: dict[int, Placed], even: Mapping[int, Placed], goal: float
    ) -> None:
        """Suggest an even layout where it keeps limits that no other keeps."""
        number, best = recommended(suggested, goal), recommended(even, goal)
        if len(even[best].broken or ()) < len(suggested[number].broken or ()):
            suggested[best] = even[best]

    def _suggestion(
        self, even: Mapping[int, Placed], suggested: Mapping[int, Placed]
    ) -> Suggestion:
        found = Suggestion(
            rig=self.rig,
            asked=self.asked,
            method=self.wanted.method,
            within=self.wanted.within,
            floor=self.floor,
            even=dict(even),
            suggested=dict(suggested),
            recommended=recommended(suggested, self._goal(even)),
            limit=self.limit,
            bends=self.bends,
            knots=self.knotted[1],
        )
        return replace(found, sentences=tuple(sentences_of(found)))
