"""Values to hold a rig against that was built by hand, and what other ways make of poses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ribbonsim.handoff.live import live_deform, live_joints
from ribbonsim.handoff.sheet.differences import WAYS, Discrepancy, Way
from ribbonsim.handoff.sheet.parts import Prose, Section, Writer, number
from ribbonsim.layout.pose import ControlPose, Pose
from ribbonsim.pages.html import Table
from ribbonsim.rig.rig import Rig

_SHARES = (0.2, 0.5, 0.85)


def simple_poses(rig: Rig) -> dict[str, Pose]:
    """Two poses that are quickly set by hand.

    The middle control bent and swayed; the last one twisted, stretched and thinned.
    """
    names = rig.layout.control_names
    return {
        "first check": Pose({names[len(names) // 2]: {"bend": 40.0, "sway": -15.0}}),
        "second check": Pose({names[-1]: {"twist": 60.0, "stretch": 1.25, "girth": 0.9}}),
    }


def telling_vertices(rig: Rig) -> tuple[int, ...]:
    """Three vertices, from 0, that show whether a rig was built right.

    Near the root, in the middle and towards the tip of the body, each as far from the midline
    as the skin is there, so that twist and girth show.
    """
    mesh, ribbon = rig.mesh, rig.layout.ribbon
    body = rig.joints_of["body"]
    places = np.clip(rig.places, 0.0, ribbon.length)
    apart = np.linalg.norm(mesh.positions - ribbon.midline(ribbon.place_at(places)), axis=1)
    free = rig.mesh_weights[:, body].sum(axis=1) > 0.999
    chosen: list[int] = []
    for share in _SHARES:
        away = np.where(free, np.abs(places - share * ribbon.length), np.inf)
        near = np.argsort(away, kind="stable")[: max(8, len(away) // 100)]
        near = near[np.isfinite(away[near])]
        if not len(near):
            break
        found = int(near[np.argmax(apart[near])])
        chosen.append(found)
        free[found] = False
    return tuple(chosen)


def check_values(rig: Rig, checks: Mapping[str, Pose], write: Writer) -> Section:
    """Places of vertices, joints and controls in poses."""
    vertices = telling_vertices(rig)
    parts: list[Prose | Table] = [
        Prose(
            (
                "Set each pose and compare. By hand is what a rig built by this sheet gives, with "
                "rotation vectors: it should agree to the last digit but one. ribbonsim is what "
                "its own pictures and findings show.",
            )
        ),
        Table(
            ("vertex", "x", "y", "z"),
            tuple((str(v + 1), *write.point(rig.mesh.positions[v])) for v in vertices),
            frozenset(),
            "At rest.",
        ),
    ]
    for name, pose in checks.items():
        parts += _check(rig, plain_name(name), pose, vertices, write)
    return Section("Values to check by", tuple(parts))


def _check(
    rig: Rig, name: str, pose: Pose, vertices: Sequence[int], write: Writer
) -> list[Prose | Table]:
    by_hand, ours = live_deform(rig, pose), rig.deform(pose)
    joints = (live_joints(rig, pose).rigid @ rig.joint_rest)[:, :3, 3]
    exact = rig.joint_frames(pose)[:, :3, 3]
    controls = rig.layout.controls
    seats = sorted({0, len(controls) // 2, len(controls) - 1})
    compared = [(f"vertex {v + 1}", by_hand[v], ours[v]) for v in vertices]
    for station in (controls[k].station for k in seats):
        compared.append((rig.joint_names[station - 1], joints[station - 1], exact[station - 1]))
    rows = tuple(
        (
            label,
            *write.point(theirs),
            *write.point(place),
            write.distance(float(np.linalg.norm(theirs - place))),
        )
        for label, theirs, place in compared
    )
    heads = ("", *(f"by hand {a}" for a in "xyz"), *(f"ribbonsim {a}" for a in "xyz"), "apart")
    axes = (f"{axis} {k}" for axis in ("along", "across") for k in "xyz")
    return [
        Prose((f"{name.capitalize()}: {pose_words(pose, write)}.",)),
        Table(heads, rows, caption=f"{name.capitalize()}: vertices of the mesh and ribbon joints."),
        Table(
            ("control", "x", "y", "z", *axes),
            tuple(_standing(rig, pose, write)),
            caption=f"{name.capitalize()}: where the controls stand themselves.",
        ),
    ]


def _standing(rig: Rig, pose: Pose, write: Writer) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for ribbon in rig.layout.ribbons:
        names = rig.layout.control_names_of(ribbon)
        for name, frame in zip(names, rig.control_frames(pose, ribbon).frames, strict=True):
            axes = (*write.direction(frame[:3, 0]), *write.direction(frame[:3, 1]))
            rows.append((name, *write.point(frame[:3, 3]), *axes))
    return rows


def pose_words(pose: Pose, write: Writer) -> str:
    """Say what the controls do in a pose."""
    moves = [
        f"{name} {', '.join(words)}"
        for name, control in pose.controls.items()
        if (words := _control_words(control, write))
    ]
    kept = "" if pose.keep_volume == 1.0 else f"; volume kept by {pose.keep_volume:g}"
    return ("; ".join(moves) or "all controls at rest") + kept


def _control_words(control: ControlPose, write: Writer) -> list[str]:
    words = [
        f"{key} {number(value, 3).rstrip('0').rstrip('.')}°"
        for key in ("bend", "sway", "twist")
        if abs(value := getattr(control, key)) >= 5e-4
    ]
    if max(map(abs, control.shift)) > 1e-6 * write.length:
        shift = ", ".join(write.distance(value) for value in control.shift)
        words.append(f"shift {shift} along, across and normal")
    words += [
        f"{key} × {value:.5g}"
        for key in ("stretch", "girth")
        if abs((value := getattr(control, key)) - 1.0) >= 5e-6
    ]
    return words


def plain_name(name: str) -> str:
    """A pose's name as it stands in sentences."""
    return name.replace("_", " ")


# -- what differs --------------------------------------------------------------------------------


def what_differs(found: Sequence[Discrepancy], other_drive: str = "") -> Section:
    """What other ways make of poses, as a table and in words; last, what the other drive does."""
    ways = {way: words for way, words in WAYS.items() if any(way in one.largest for one in found)}
    words = [f"{_leading(way.title)}: {way.meaning}" for way in ways.values()]
    rows = tuple(
        (plain_name(each.pose), *(share_text(each.largest[way]) for way in ways)) for each in found
    )
    table = Table(
        ("pose", *(way.title for way in ways.values())),
        rows,
        caption="Largest distance of a vertex from where ribbonsim puts it by linear blending, in "
        "% of the diagonal of the mesh's bounding box.",
    )
    last = (Prose((other_drive,)),) if other_drive else ()
    return Section(
        "What other ways make of it, measured",
        (Prose(tuple(words)), table, Prose(tuple(_worst(found, ways))), *last),
    )


def _worst(found: Sequence[Discrepancy], ways: Mapping[str, Way]) -> list[str]:
    """For each way the pose in which it is farthest off, and where."""
    said = []
    for way, words in ways.items():
        most = max(found, key=lambda each: each.largest[way], default=None)
        if most is None or most.largest[way] < 1e-4 or way not in most.joint:
            continue
        said.append(
            f"{_leading(words.title)}, where it is farthest off: {plain_name(most.pose)}, "
            f"{share_text(most.largest[way])} near {most.joint[way]}; "
            f"{share_text(most.mean[way])} in the root mean square over the skin."
        )
    return said


def _leading(title: str) -> str:
    return title if title.startswith("glTF") else f"{title[0].upper()}{title[1:]}"


def share_text(share: float) -> str:
    """Write a share of the body's size as a percentage."""
    percent = 100.0 * share
    if percent < 5e-4:
        return "0 %" if percent < 5e-7 else "< 0.001 %"
    return f"{percent:.3f} %" if percent < 0.1 else f"{percent:.2f} %"
