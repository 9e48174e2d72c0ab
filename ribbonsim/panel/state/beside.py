"""What may stand beside the layout in one picture, and how both are in one pose."""

from __future__ import annotations

from collections.abc import Sequence

from ribbonsim.bendcheck.findings import Finding
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.layout import Layout
from ribbonsim.panel.state.before_after import BeforeAfter
from ribbonsim.panel.state.bench import PoseRequest
from ribbonsim.panel.state.changes import changes_between
from ribbonsim.panel.state.history import Snapshot
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.rig.bind import rebind
from ribbonsim.rig.rig import Method
from ribbonsim.rig.take import Instant

_MOST_WORDS = 3


def last_changed(model: PanelModel) -> Snapshot | None:
    """What stood before the last change of layout or blending; None if there was none."""
    for state in reversed(model.steps_back):
        if _differ(state.layout, model.layout, state.method, model.method):
            return state
    return None


def before_last_change(model: PanelModel) -> BeforeAfter:
    """The layout before its last change beside the one that stands.

    Raises
    ------
    RibbonsimError
        If nothing was changed.
    """
    state = last_changed(model)
    if state is None:
        raise RibbonsimError(
            "there is no before: nothing of the layout or the blending was changed yet"
        )
    words = _differ(state.layout, model.layout, state.method, model.method)
    same = state.layout is model.layout
    other = model.rig if same else rebind(model.rig, state.layout, state.found)
    return BeforeAfter(other, state.method, True, _short(words), model.layout)


def after_trying(model: PanelModel, finding: Finding) -> BeforeAfter:
    """The layout that stands beside what was tried against a finding.

    Raises
    ------
    RibbonsimError
        If nothing was tried, or it is applied already.
    """
    tried = finding.tried
    if tried is None:
        raise RibbonsimError("nothing was tried against this finding: check the pose first")
    words = _differ(model.layout, tried.layout, model.method, tried.method)
    if not words:
        raise RibbonsimError("what was tried is applied already: press Before and after above")
    other = model.rig if tried.layout is model.layout else rebind(model.rig, tried.layout)
    return BeforeAfter(other, tried.method, False, _short(words), model.layout, finding)


def still_holds(model: PanelModel, shown: BeforeAfter) -> bool:
    """Whether there is still a before and an after to be seen.

    A layout that was tried stands beside the one that it was made of, and beside no other; what
    was before stands beside whatever came of it, until that is taken back.
    """
    if shown.other.mesh is not model.rig.mesh:
        return False
    if not shown.is_before and model.layout is not shown.beside:
        return False
    return bool(_differ(shown.other.layout, model.layout, shown.method, model.method))


def asked_of_both(model: PanelModel, beside: BeforeAfter) -> PoseRequest:
    """The pose that stands, as the other layout can be asked for it."""
    shown, moment = model.shown, model.moment
    if moment is not None:
        there = Instant(beside.take_of(moment.take), moment.number, moment.count)
        return PoseRequest(moment.take.name, instants=(moment, there))
    if shown is not None and shown.ribbon is None and shown.amount is not None:
        keep = model.pose.keep_volume
        return PoseRequest(shown.name, shown.amount, keep_volume=keep)
    return PoseRequest("pose", source=model.rig, pose=model.pose)


def _differ(old: Layout, new: Layout, before: Method, after: Method) -> list[str]:
    if old is new and before == after:
        return []
    return changes_between(old, new, before, after)


def _short(words: Sequence[str]) -> str:
    more = f" and {len(words) - _MOST_WORDS} more" if len(words) > _MOST_WORDS else ""
    return "; ".join(words[:_MOST_WORDS]) + more
