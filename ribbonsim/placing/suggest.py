"""Suggest: the layout that bends a creature as asked with the fewest controls."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ribbonsim.arrays import Progress
from ribbonsim.bendcheck.cases import PoseList
from ribbonsim.layout.settings import Drive
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.placing.result import Suggestion
from ribbonsim.placing.search import Search
from ribbonsim.placing.wanted import Wanted
from ribbonsim.rig.bind import bind
from ribbonsim.rig.first_layout import build_layout
from ribbonsim.rig.rig import Method, Rig


def suggest(
    mesh_or_rig: CreatureMesh | Rig,
    poses: PoseList = None,
    controls: tuple[int, int] | int = (3, 9),
    within: float | None = None,
    weights: Mapping[str, float] | None = None,
    stations: int | None = None,
    keep: Sequence[str] = (),
    method: Method = "linear",
    drive: Drive | None = None,
    progress: Progress | None = None,
) -> Suggestion:
    """Find how many controls a creature needs for some poses, and where they stand.

    For each number of controls the even layout and a better one are measured by the real drive
    and the real skin, so what is suggested is never worse than even.

    Parameters
    ----------
    mesh_or_rig : CreatureMesh or Rig
        Of a rig, ribbons, appendages, limits and kept poses are those of its layout.
    poses : Pose, mapping, sequence of str or None
        Poses or amounts of test poses by name; names of test poses or of kept poses; None for
        all test poses.
    controls : (int, int) or int
        The fewest and the most controls, or one number.
    within : float, optional
        The skin error that is wanted, per cent of the body length: the fewest controls that
        reach it are recommended. If left out, those that are as good as the best even layout.
    weights : mapping of str to float, optional
        How much a pose's error counts beside the others'; 1 where nothing is said.
    stations : int, optional
        Stations of the body. If left out, the recommended layout gets the fewest that do.
    keep : sequence of str
        Controls of the rig's layout that stay where they stand.
    method : {"linear", "dual_quaternion"}
    drive : {"shares", "skinned"}, optional
        How controls move the ribbons. If left out, each layout gets the drive that is closer.
    progress : callable, optional
        Called as ``progress(what, done, total)``; raise in it to stop.

    Returns
    -------
    Suggestion

    Raises
    ------
    RibbonsimError
        If poses, weights, numbers or names cannot be used.
    """
    rig = mesh_or_rig
    if isinstance(rig, CreatureMesh):
        rig = bind(rig, build_layout(rig))
    fewest, most = (controls, controls) if isinstance(controls, int) else controls
    wanted = Wanted(fewest, most, within, stations, tuple(keep), method, drive)
    *_, found = Search(rig, poses, weights, wanted).run(progress)
    if progress is not None:
        progress("done", len(found.numbers) + 2, len(found.numbers) + 2)
    return found
