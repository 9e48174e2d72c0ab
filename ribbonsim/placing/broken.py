"""Broken limits: those that a layout breaks where an exact ribbon does not."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ribbonsim.bendcheck.cases import Case, Wish, measure_case, wish_for
from ribbonsim.bendcheck.look import findings_of
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.placing.asked import Asked
from ribbonsim.placing.judge import Measured
from ribbonsim.rig.rig import Method


class LimitsCheck:
    """Looks for broken limits of layouts of one mesh; contacts, which take longest, are left out.

    Parameters
    ----------
    gauge : Gauge
        Of the rig whose controls' poses are asked.
    asked : sequence of Asked
    method : {"linear", "dual_quaternion"}
    """

    def __init__(self, gauge: Gauge, asked: Sequence[Asked], method: Method) -> None:
        self._gauge, self._asked, self._method = gauge, asked, method
        self._like: dict[int, Case] = {}
        # numbers of the poses; those that shut layouts out come first
        self._hardest = list(range(len(asked)))

    def broken(self, measured: Measured, most: float = np.inf) -> tuple[str, ...] | None:
        """Say which limits are broken on the whole skin, which was measured.

        Parameters
        ----------
        measured : Measured
        most : float
            How many may be.

        Returns
        -------
        tuple of str or None
            The worst first; None as soon as there are more than may be. Poses that were too
            many last are looked at first.
        """
        gauge, found = Gauge(measured.rig, self._gauge), list[tuple[float, int, str]]()
        for number in tuple(self._hardest):
            case = self._case(measured, gauge, number)
            told = findings_of(case, measured.rig.layout.limits)
            found += [(-finding.severity, number, finding.statement) for finding in told]
            if len(found) > most:
                self._hardest.remove(number)
                self._hardest.insert(0, number)
                return None
        found.sort(key=lambda one: one[:2])
        return tuple(statement for _, _, statement in found)

    def _case(self, measured: Measured, gauge: Gauge, number: int) -> Case:
        one, fitted, rig = self._asked[number], measured.poses[number], measured.rig
        wish, targets = one.wish, one.targets
        if wish.instant is not None:
            wish = wish_for(wish, self._gauge.rig, rig)
        elif wish.pose is not None:
            wish, targets = Wish(wish.name, pose=fitted), {}
        case = measure_case(
            *(rig, gauge, wish, self._method),
            contacts=False,
            like=self._like.get(number),
            targets=targets,
            fitted=fitted,
        )
        self._like.setdefault(number, case)
        return case
