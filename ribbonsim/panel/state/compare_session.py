"""What a session file of the compare panel holds: its layouts, and the pose asked of them."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, ClassVar, get_args

from ribbonsim.bendcheck.compare import LETTERS
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.fields import range_of
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.motions import Motion
from ribbonsim.layout.toml import layout_from_text, layout_text
from ribbonsim.panel.state.playing import RULES
from ribbonsim.panel.state.session import SAYS, VERSION, MeshMark, read_session
from ribbonsim.rig.rig import Method


@dataclass(frozen=True, eq=False)
class KeptLayout:
    """One of the layouts side by side."""

    name: str
    layout: Layout
    method: Method
    selected: str


@dataclass(frozen=True)
class KeptAsked:
    """The pose or motion that was asked of all layouts.

    Parameters
    ----------
    owner : int or None
        Number of the layout, from 0, that the pose is kept with.
    moment : float or None
        Share of a motion's loop.
    told : dict of str to float
        What was set of a motion.
    """

    name: str
    amount: float
    owner: int | None
    moment: float | None
    told: dict[str, float] = field(default_factory=dict)

    def holds(self) -> bool:
        """Whether it can be asked for, as far as the motion goes."""
        set_well = all(
            rule in RULES and low <= value <= high
            for rule, value in self.told.items()
            for low, high in [range_of(Motion, rule) or (0.0, 0.0)]
        )
        return set_well and (self.moment is None or 0.0 <= self.moment <= 1.0)


@dataclass(frozen=True, eq=False)
class CompareSession:
    """What the compare panel holds of one creature.

    Parameters
    ----------
    chosen : int
        Number of the chosen layout, from 0.
    start : int
        Checksum of the layouts that it was opened with; 0 where none were given.
    """

    key: ClassVar[str] = "ribbonsim_compare"
    ending: ClassVar[str] = ".compare.json"

    mesh: MeshMark
    layouts: tuple[KeptLayout, ...]
    chosen: int
    asked: KeptAsked
    start: int = 0

    def text(self) -> str:
        """The session as text; every number comes back the same."""
        data = {
            self.key: VERSION,
            "about": SAYS,
            "mesh": vars(self.mesh),
            "start": self.start,
            "chosen": self.chosen,
            "asked": vars(self.asked),
            "layouts": [
                {**vars(each), "layout": layout_text(each.layout).splitlines()}
                for each in self.layouts
            ],
        }
        return json.dumps(data, indent=1, ensure_ascii=False) + "\n"

    @classmethod
    def read(cls, text: str, source: Path) -> CompareSession:
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
    def _of(cls, data: dict[str, Any], source: Path) -> CompareSession:
        layouts = tuple(
            KeptLayout(
                str(each["name"]),
                layout_from_text("\n".join(each["layout"]), source),
                each["method"],
                each["selected"],
            )
            for each in data["layouts"]
        )
        asked, chosen = KeptAsked(**data["asked"]), int(data["chosen"])
        owner = 0 if asked.owner is None else asked.owner
        known = (
            2 <= len(layouts) <= len(LETTERS)
            and chosen in range(len(layouts))
            and owner in range(len(layouts))
            and isinstance(asked.name, str)
            and asked.holds()
            and all(each.method in get_args(Method) for each in layouts)
            and all(each.selected in each.layout.all_control_names for each in layouts)
        )
        if not known:
            raise RibbonsimError(f"{source.name} is broken")
        return cls(
            *(MeshMark(**data["mesh"]), layouts, chosen),
            replace(asked, amount=float(asked.amount)),
            int(data["start"]),
        )
