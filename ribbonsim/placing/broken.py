"""Broken limits: those that a layout breaks where an exact ribbon does not."""

from __future__ import annotations

from collections.abc import Sequence

from ribbonsim.bendcheck.cases import Case, Wish, measure_case, wish_for
from ribbonsim.bendcheck.findings import Finding
from ribbonsim.bendcheck.look import findings_of
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.placing.asked import Asked
from ribbonsim.placing.judge import Measured
from ribbonsim.rig.rig import Method, Rig


class LimitsCheck:
    """Looks for broken limits of layouts of one mesh; contacts, which take longest, are left out.

    Parameters
    ----------
    rig : Rig
        The one whose controls' poses are asked.
    asked : sequence of Asked
    method : {"linear", "dual_quaternion"}
    """

    def __init__(self, rig: Rig, asked: Sequence[Asked], method: Method) -> None:
        self._rig, self._asked, self._method = rig, asked, method
        self._gauges: dict[int, Gauge] = {}
        self._like: dict[tuple[int, str], Case] = {}

    def broken(self, measured: Measured) -> tuple[str, ...]:
        """Say which limits are broken on the skin that was measured, few vertices or all.

        Parameters
        ----------
        measured : Measured

        Returns
        -------
        tuple of str
            The worst first.
        """
        rig, found = measured.rig, list[Finding]()
        skin = id(rig.mesh)
        gauge = Gauge(rig, self._gauges.get(skin))
        self._gauges.setdefault(skin, gauge)
        for one, fitted in zip(self._asked, measured.poses, strict=True):
            wish, targets, key = one.wish, one.targets, (skin, one.name)
            if wish.instant is not None:
                wish = wish_for(wish, self._rig, rig)
            elif wish.pose is not None:
                wish, targets = Wish(wish.name, pose=fitted), {}
            case = measure_case(
                *(rig, gauge, wish, self._method),
                contacts=False,
                like=self._like.get(key),
                targets=targets,
                fitted=fitted,
            )
            self._like.setdefault(key, case)
            found += findings_of(case, rig.layout.limits)
        found.sort(key=lambda finding: -finding.severity)
        return tuple(finding.statement for finding in found)
