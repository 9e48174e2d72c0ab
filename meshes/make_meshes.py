"""Write the demo creatures of "The Lamplighter's Eel" as Wavefront OBJ.

    python meshes/make_meshes.py [FOLDER]

writes next to this file, or into FOLDER.
"""

from __future__ import annotations

import sys
from pathlib import Path

import coil
import grub
import lampeel
import snuffer
import tentacle
from objtext import obj_text

CREATURES = {
    "lampeel": lampeel,
    "grub": grub,
    "coil": coil,
    "tentacle": tentacle,
    "snuffer": snuffer,
}


def main(folder: Path) -> None:
    """Build every creature and write it into ``folder``."""
    for name, creature in CREATURES.items():
        header = f'{name}, from "The Lamplighter\'s Eel"; centimetres, Y up, facing +Z'
        text = obj_text(creature.build(), name, header)
        (folder / f"{name}.obj").write_text(text, encoding="ascii", newline="\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
