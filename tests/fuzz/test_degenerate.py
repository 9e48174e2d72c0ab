"""Hundreds of meshes that are hardly any, through the whole pipeline: each bends or is refused.

Run as a script it takes all of them, or every n-th by two numbers (`3 8`: the fourth of each
eight). Whatever is accepted must give finite numbers that a person
can believe; no source but sense.
"""

import re
import signal
import sys
import traceback
import warnings
from collections import Counter
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from degenerate import SPOILS, degenerate_meshes

import ribbonsim as rs
from ribbonsim.bendcheck.words import report_text
from ribbonsim.layout.appendage_targets import test_poses_of as poses_of
from ribbonsim.rig.first_layout import build_layout

# a factor of a million and more is no girth and no stretch of anything
MONSTROUS = re.compile(r"\b(nan|inf)\b|\d{7,}(?!\.?\d* scene)|e\+?\d{2,}")

SECONDS = 15.0  # of the processor, for a mesh of a hundred faces


def through(points, faces):
    """Load, guide, bind, pose in all poses, check; what is refused, and what is wrong."""
    try:
        mesh = rs.CreatureMesh.from_arrays(points, faces, name="odd")
        layout = build_layout(mesh)
        rig = rs.bind(mesh, layout)
    except rs.RibbonsimError as error:
        return "refused", sentence(str(error))
    size = np.ptp(points, axis=0).max()
    for name in poses_of(layout):
        try:
            posed = rig.deform(rig.pose_for(name))
        except rs.RibbonsimError as error:
            return "refused", sentence(str(error))
        if not np.isfinite(posed).all():
            return "bends", f"{name} gives positions that are not finite"
        if np.abs(posed - rig.mesh.positions).max() > 100 * max(size, rig.layout.ribbon.length):
            return "bends", f"{name} throws a vertex away"
    try:
        text = report_text(rs.check(rig, remedies=False))
    except rs.RibbonsimError as error:
        return "refused", sentence(str(error))
    found = MONSTROUS.search(text)
    return "bends", None if found is None else f"says {text[max(0, found.start() - 80) :][:160]!r}"


def sentence(message):
    fine = "\n" not in message and 20 < len(message) < 500
    return None if fine else f"says {message!r:.200}"


@contextmanager
def limited():
    """Ends a case that does not end by itself."""
    if not hasattr(signal, "setitimer"):
        yield
        return

    def hang(*_):
        raise TimeoutError(f"still not done after {SECONDS} s")

    before = signal.signal(signal.SIGVTALRM, hang)
    signal.setitimer(signal.ITIMER_VIRTUAL, SECONDS)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        signal.signal(signal.SIGVTALRM, before)


def one(points, faces):
    """How a mesh ends, and what is wrong with that."""
    try:
        with limited(), warnings.catch_warnings():
            warnings.simplefilter("error")
            return through(points, faces)
    except Exception as error:
        place = traceback.extract_tb(error.__traceback__)
        where = " < ".join(f"{Path(at.filename).name}:{at.lineno}" for at in place[:-5:-1])
        return "fails", f"{type(error).__name__}: {error!s:.150} in {where}"


def run(wanted):
    outcome, wrong = Counter(), []
    for number, (name, points, faces) in enumerate(degenerate_meshes()):
        if wanted(number):
            kind, fault = one(points, faces)
            outcome[kind] += 1
            if fault is not None:
                wrong.append(f"{name}: {fault}")
                print(wrong[-1], flush=True)
    print(f"{outcome.total()} tried, {dict(outcome)}, {len(wrong)} wrong", flush=True)
    return wrong


@pytest.mark.fuzz
def test_each_way_of_spoiling_and_each_shape_once():
    # 25 and 24 share no factor, so that every shape meets another way of spoiling
    assert not run(lambda number: number % (len(SPOILS) + 1) == 0 or number < 2)


if __name__ == "__main__":
    part, parts = (int(word) for word in (sys.argv[1:] or ["0", "1"]))
    raise SystemExit(bool(run(lambda number: number % parts == part)))
