"""A motion that plays in the panel: which one, how, and where in its loop. No widgets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ribbonsim.layout.motions import changed
from ribbonsim.layout.pose import Pose
from ribbonsim.rig.own_motions import motion_of, motions_of
from ribbonsim.rig.rig import Rig
from ribbonsim.rig.take import Instant, Take

# what of a motion is set by sliders
RULES = ("seconds", "amount", "lag", "swing", "weight", "slide")


@dataclass
class Playing:
    """A chosen motion with what was set of it.

    Parameters
    ----------
    name : str
    told : dict of str to float
        What was set in place of what is usual.
    frame : int
        The one that is shown.
    worst : dict of float to str
        Worst moments that were found, by their seconds.
    """

    name: str = "swim"
    told: dict[str, float] = field(default_factory=dict)
    frame: int = 0
    worst: Mapping[float, str] = field(default_factory=dict)
    _rig: Rig | None = None
    _take: Take | None = None
    _others: dict[str, Take] = field(default_factory=dict)

    def choose(self, name: str) -> None:
        """Take another motion, as it usually is."""
        self.name, self.told, self.frame, self.worst, self._take = name, {}, 0, {}, None

    def tell(self, rule: str, value: float) -> None:
        """Set one of :data:`RULES`; the frame stays where it is in the loop."""
        share = 0.0 if self._take is None else self.frame / self._take.count()
        self.told[rule] = value
        self.worst, self._take = {}, None
        if self._rig is not None:
            self.frame = round(share * self.take(self._rig).count()) % self.take(self._rig).count()

    def take(self, rig: Rig) -> Take:
        """The motion on a rig, made anew when either has changed."""
        if self._take is None or self._rig is not rig:
            if self.name not in motions_of(rig):
                self.choose(motions_of(rig)[0])
            motion = changed(motion_of(rig, self.name), **self.told)
            self._rig, self._take = rig, Take(rig, motion)
            self.frame %= self._take.count()
        return self._take

    def instant(self, rig: Rig) -> Instant:
        """The frame that is shown."""
        return self.take(rig).frames()[self.frame]

    def named(self, rig: Rig, name: str) -> Take:
        """Any motion on a rig: as it is set, if it is the one that plays, else as it usually is."""
        if name == self.name:
            return self.take(rig)
        known = self._others.get(name)
        if known is None or known.rig is not rig:
            self._others[name] = known = rig.motion(name)
        return known

    def share(self, rig: Rig) -> float:
        """Where the frame is in the loop, 0 to 1."""
        return self.frame / self.take(rig).count()

    def marks(self, rig: Rig) -> list[tuple[float, str, bool]]:
        """Seconds at which something is, what, and whether it is a worst moment; in order."""
        take = self.take(rig)
        keys = [(key * take.seconds, "key", False) for key in take.motion.keys]
        return sorted([*keys, *((at, what, True) for at, what in self.worst.items())])


def usual_of(rig: Rig, name: str) -> dict[str, float]:
    """What a motion is if nothing of it is set, by the names of :data:`RULES`."""
    motion = motion_of(rig, name)
    return {rule: float(getattr(motion, rule)) for rule in RULES}


def moment_of(rig: Rig, name: str, seconds: float) -> Pose:
    """The pose of a motion, as it usually is, in the frame nearest to a time of its loop."""
    instants = Take(rig, motion_of(rig, name)).frames()
    return instants[round(seconds / instants[0].take.seconds * len(instants)) % len(instants)].pose
