"""The binary part of glTF: one buffer, its views and its accessors.

References
----------
Khronos Group, *glTF 2.0 Specification*, ISO/IEC 12113:2022, sections 3.6 and 4.4.
"""

from __future__ import annotations

import json
import struct
from typing import Any

import numpy as np
from numpy.typing import NDArray

_COMPONENTS = {"uint8": 5121, "uint16": 5123, "uint32": 5125, "float32": 5126}
_SHAPES = {(): "SCALAR", (2,): "VEC2", (3,): "VEC3", (4,): "VEC4", (4, 4): "MAT4"}
VERTICES, INDICES = 34962, 34963

Json = dict[str, Any]


class BinaryBuffer:
    """Collects arrays for one glTF buffer."""

    def __init__(self) -> None:
        self.views: list[Json] = []
        self.accessors: list[Json] = []
        self._parts: list[bytes] = []
        self._length = 0

    def add(
        self,
        values: NDArray[np.generic],
        kind: str,
        target: int | None = None,
        bounds: bool = False,
    ) -> int:
        """Add an array as a view with one accessor, and return the accessor's index.

        ``target`` says what a graphics card uses it for, ``bounds`` states least and greatest
        values. Matrices, (n, 4, 4), are written column by column, as glTF has them.
        """
        table = np.asarray(values)
        if table.ndim == 3:
            table = table.transpose(0, 2, 1)
        table = np.ascontiguousarray(table, dtype=np.dtype(kind).newbyteorder("<"))
        accessor: Json = {
            "bufferView": len(self.views),
            "componentType": _COMPONENTS[kind],
            "count": len(table),
            "type": _SHAPES[table.shape[1:]],
        }
        if bounds:
            rows = table.reshape(len(table), -1)
            accessor["min"] = rows.min(axis=0).tolist()
            accessor["max"] = rows.max(axis=0).tolist()
        data = table.tobytes()
        view: Json = {"buffer": 0, "byteOffset": self._length, "byteLength": len(data)}
        if target is not None:
            view["target"] = target
        self.views.append(view)
        self.accessors.append(accessor)
        self._parts.append(data + bytes(-len(data) % 4))
        self._length += len(self._parts[-1])
        return len(self.accessors) - 1

    def data(self) -> bytes:
        """Everything that was added, each array at a multiple of four bytes."""
        return b"".join(self._parts)


def glb(document: Json, data: bytes) -> bytes:
    """Pack a glTF document and its buffer, of a length that four divides, into one binary file."""
    text = json.dumps(document, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode()
    text += b" " * (-len(text) % 4)
    total = 12 + 8 + len(text) + 8 + len(data)
    head = struct.pack("<4sII", b"glTF", 2, total)
    chunks = struct.pack("<I4s", len(text), b"JSON") + text
    return head + chunks + struct.pack("<I4s", len(data), b"BIN\0") + data
