"""What a session file holds: a creature's layout and pose as the panel had them last."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar, TypeVar, get_args

from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.pose import Pose
from ribbonsim.layout.toml import layout_from_text, layout_text
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.rig.rig import Method

Made = TypeVar("Made")

VERSION = 1
SAYS = "Written by the panel as you work, and read when the creature is opened again."


class NotASessionError(RibbonsimError):
    """The text is something else than a session."""


@dataclass(frozen=True)
class MeshMark:
    """By what a mesh is known again.

    Parameters
    ----------
    file : str
        Its file, absolute; empty if it came from no file.
    digest : int
        Checksum of its positions.
    """

    name: str
    file: str
    vertices: int
    digest: int

    @classmethod
    def of(cls, mesh: CreatureMesh) -> MeshMark:
        """The mark of a mesh."""
        file = str(Path(mesh.source).resolve()) if mesh.source else ""
        return cls(mesh.name, file, len(mesh.positions), zlib.crc32(mesh.positions.tobytes()))

    @property
    def shape(self) -> tuple[int, int]:
        """What two files with the same vertices share."""
        return self.vertices, self.digest

    def is_for(self, other: MeshMark) -> bool:
        """Whether what was kept for another mesh is for this one."""
        if self.file and self.file == other.file:
            return True
        return self.shape == other.shape


@dataclass(frozen=True, eq=False)
class Session:
    """What the panel holds of one creature.

    Parameters
    ----------
    start : int
        Checksum of the layout that came with the creature; 0 where it came without one.
    shelf : mapping of str to Layout
        Layouts put aside.
    pose_strip : bool
        Whether small pictures of poses stand under the picture.
    switches : mapping of str to bool
        Of what the picture shows besides the skin, those that were set.
    """

    key: ClassVar[str] = "ribbonsim_session"
    ending: ClassVar[str] = ".session.json"

    mesh: MeshMark
    layout: Layout
    pose: Pose = field(default_factory=Pose)
    method: Method = "linear"
    selected: str = ""
    start: int = 0
    shelf: Mapping[str, Layout] = field(default_factory=dict)
    pose_strip: bool = True
    switches: Mapping[str, bool] = field(default_factory=dict)

    def text(self) -> str:
        """The session as text; every number comes back the same."""
        data = {
            self.key: VERSION,
            "about": SAYS,
            "mesh": vars(self.mesh),
            "selected": self.selected,
            "method": self.method,
            "pose": self.pose.to_dict(),
            "start": self.start,
            "pose_strip": self.pose_strip,
            "switches": dict(self.switches),
            "layout": layout_text(self.layout).splitlines(),
            "shelf": {name: layout_text(each).splitlines() for name, each in self.shelf.items()},
        }
        return json.dumps(data, indent=1, ensure_ascii=False) + "\n"

    @classmethod
    def read(cls, text: str, source: Path) -> Session:
        """Read a session.

        Raises
        ------
        NotASessionError
            If the text is something else.
        RibbonsimError
            If it is a session that cannot be used: broken, or of a later version.
        """
        return read_session(text, source, cls.key, lambda data: cls._of(data, source))

    @classmethod
    def _of(cls, data: dict[str, Any], source: Path) -> Session:
        layout = layout_from_text("\n".join(data["layout"]), source)
        shelf = {
            str(name): layout_from_text("\n".join(lines), source)
            for name, lines in data["shelf"].items()
        }
        pose, method, selected = Pose(**data["pose"]), data["method"], data["selected"]
        names = layout.all_control_names
        known = method in get_args(Method) and selected in names and set(pose.controls) <= {*names}
        if not known:
            raise RibbonsimError(f"{source.name} is broken")
        mark = MeshMark(**data["mesh"])
        start, strip = int(data["start"]), data.get("pose_strip", True)  # older files lack it
        switches = {str(key): on is True for key, on in data.get("switches", {}).items()}
        kept = (start, shelf, strip is not False, switches)
        return cls(mark, layout, pose, method, selected, *kept)


def read_session(text: str, source: Path, key: str, make: Callable[[dict[str, Any]], Made]) -> Made:
    """Make what a session file holds of its tables.

    Raises
    ------
    NotASessionError
        If the text is something else.
    RibbonsimError
        If it is a session that cannot be used: broken, or of a later version.
    """
    data = session_data(text, source, key)
    if data[key] != VERSION:
        raise RibbonsimError(f"{source.name} was written by another version of ribbonsim")
    try:
        return make(data)
    except RibbonsimError:
        raise
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
        raise RibbonsimError(f"{source.name} is broken") from error


def session_data(text: str, source: Path, key: str = Session.key) -> dict[str, Any]:
    """The tables of a session file, of whatever version.

    Raises
    ------
    NotASessionError
        If the text is something else.
    RibbonsimError
        If it begins as a session does and cannot be read.
    """
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        if f'"{key}"' in text[:40]:
            raise RibbonsimError(f"{source.name} is broken") from error
        raise NotASessionError(f"{source.name} is no session file") from error
    if not isinstance(data, dict) or key not in data:
        raise NotASessionError(f"{source.name} is no session file")
    return data


def digest_of(layout: Layout) -> int:
    """Checksum of a layout."""
    return zlib.crc32(layout_text(layout).encode())
