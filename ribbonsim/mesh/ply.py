"""PLY, read with polygons and vertices as they stand in the file.

General readers cut polygons into triangles, refuse binary files that mix triangles and quads, or
split vertices by their texture coordinates; a rig needs the vertices and polygons the file has.

References
----------
G. Turk, *The PLY Polygon File Format*, Stanford University, 1994.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ribbonsim.arrays import Array, Ints
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.contents import DEFAULT_NAME, MeshContents, checked, join_seams, read_bytes

_TYPES = {
    **dict.fromkeys(("char", "int8"), "i1"),
    **dict.fromkeys(("uchar", "uint8"), "u1"),
    **dict.fromkeys(("short", "int16"), "i2"),
    **dict.fromkeys(("ushort", "uint16"), "u2"),
    **dict.fromkeys(("int", "int32"), "i4"),
    **dict.fromkeys(("uint", "uint32"), "u4"),
    **dict.fromkeys(("float", "float32"), "f4"),
    **dict.fromkeys(("double", "float64"), "f8"),
}
_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_CORNERS = ("vertex_indices", "vertex_index")
_TEXCOORDS = (("s", "t"), ("u", "v"), ("texture_u", "texture_v"), ("texture_s", "texture_t"))
_NORMALS, _COLOURS = ("nx", "ny", "nz"), ("red", "green", "blue")
_MOST_PROPERTIES = 1000
_LONGEST_WORD = 400
_COUNT = re.compile(r"[0-9]{1,15}")
_END = re.compile(rb"^end_header[ \t]*(?:\r\n|\n|\r)", re.MULTILINE)


@dataclass
class _Element:
    """What a file has some number of: vertices, faces and others."""

    name: str
    count: int
    scalars: dict[str, str] = field(default_factory=dict)
    # type of the length and of the entries
    lists: dict[str, tuple[str, str]] = field(default_factory=dict)
    order: list[str] = field(default_factory=list)


@dataclass
class _Values:
    """Numbers of one element: columns, and lists as entries with how many each row has."""

    columns: dict[str, NDArray[np.generic]] = field(default_factory=dict)
    lists: dict[str, tuple[NDArray[np.generic], Ints]] = field(default_factory=dict)
    lines: Ints | None = None


def read_ply(path: str | os.PathLike[str]) -> MeshContents:
    """Read a PLY file, text or binary.

    Returns
    -------
    MeshContents
        Vertices in number and order as in the file. Texture coordinates, of vertices or of
        corners, normals and colours are read where they are.

    Raises
    ------
    RibbonsimError
        If the file cannot be read as a mesh.
    """
    path = Path(path)
    data = read_bytes(path)
    end = _END.search(data)
    if data[:3] != b"ply" or end is None:
        raise RibbonsimError(
            f"{path}: the file has no PLY head from 'ply' to 'end_header'; export the mesh again."
        )
    order, elements = _header(path, data[: end.end()])
    body = data[end.end() :]
    if order == "ascii":
        read = _read_text(path, body, elements, first=len(data[: end.end()].splitlines()) + 1)
    else:
        read = _read_binary(path, body, elements, _ORDERS[order])
    return _contents(path, read)


def _header(path: Path, head: bytes) -> tuple[str, list[_Element]]:
    order = ""
    elements: list[_Element] = []
    for number, line in enumerate(head.decode("latin-1").splitlines(), start=1):
        words = line.split()
        if not words or words[0] in ("ply", "comment", "obj_info", "end_header"):
            continue
        if words[0] == "format" and len(words) >= 2 and words[1] in _ORDERS:
            order = words[1]
        elif words[0] == "element" and len(words) == 3 and _COUNT.fullmatch(words[2]):
            if words[1] in [element.name for element in elements]:
                raise _twice(path, number, f"the element {words[1][:40]!r}")
            elements.append(_Element(words[1], int(words[2])))
        elif words[0] == "property" and elements and words[-1] in elements[-1].order:
            raise _twice(path, number, f"the property {words[-1][:40]!r}")
        elif words[0] == "property" and elements and len(elements[-1].order) == _MOST_PROPERTIES:
            raise RibbonsimError(
                f"{path}, line {number}: the head gives {elements[-1].name[:40]!r} more than "
                f"{_MOST_PROPERTIES} properties, which are not read; export the mesh without them."
            )
        elif not (words[0] == "property" and elements and _took(elements[-1], words[1:])):
            raise RibbonsimError(
                f"{path}, line {number}: {line.strip()[:60]!r} is not understood in the head of a "
                "PLY file; export the mesh again."
            )
    if not order:
        raise RibbonsimError(
            f"{path}: the head names no format that is known; export the mesh as ascii or "
            "binary PLY 1.0."
        )
    return order, elements


def _twice(path: Path, line: int, what: str) -> RibbonsimError:
    return RibbonsimError(
        f"{path}, line {line}: the head names {what} twice; correct it or export the mesh again."
    )


def _took(element: _Element, words: list[str]) -> bool:
    """Add a property to an element; tell whether it is one."""
    kinds = [_TYPES.get(word, "") for word in words[:-1]]
    if len(words) == 2 and kinds[0]:
        element.scalars[words[1]] = kinds[0]
    elif len(words) == 4 and words[0] == "list" and kinds[1] and kinds[2]:
        element.lists[words[3]] = (kinds[1], kinds[2])
    else:
        return False
    element.order.append(words[-1])
    return True


def _short(path: Path, element: _Element, where: str = "") -> RibbonsimError:
    return RibbonsimError(
        f"{path}{where}: the file ends or breaks off within its {element.count} rows of "
        f"{element.name!r}: it seems cut short; export or copy it again."
    )


# -- text ---------------------------------------------------------------------------------------


def _read_text(path: Path, body: bytes, elements: list[_Element], first: int) -> dict[str, _Values]:
    lines = [(n, line) for n, line in enumerate(body.splitlines(), start=first) if line.strip()]
    read: dict[str, _Values] = {}
    done = 0
    for element in elements:
        rows = lines[done : done + element.count]
        done += element.count
        if len(rows) < element.count:
            raise _short(path, element)
        words = [row.split() for _, row in rows]
        numbers = np.array([n for n, _ in rows], dtype=np.int64)
        flat = _numbers(path, words, numbers)
        sizes = np.array([len(row) for row in words], dtype=np.int64)
        read[element.name] = _take_rows(path, element, flat, sizes, numbers)
    return read


def _numbers(path: Path, words: list[list[bytes]], lines: Ints) -> Array:
    flat = [word for row in words for word in row]
    try:
        if max(map(len, flat), default=0) > _LONGEST_WORD:  # each would take as much room
            raise ValueError
        return np.array(flat, dtype="S").astype(np.float64) if flat else np.zeros(0)
    except ValueError:
        for row, line in zip(words, lines.tolist(), strict=True):
            for word in row:
                if not _is_number(word):
                    shown = word[:40].decode("latin-1")
                    raise RibbonsimError(
                        f"{path}, line {line}: {shown!r} is not a number; correct it or export "
                        "the mesh again."
                    ) from None
        raise


def _is_number(word: bytes) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return len(word) <= _LONGEST_WORD


def _take_rows(path: Path, element: _Element, flat: Array, sizes: Ints, lines: Ints) -> _Values:
    """Deal the numbers of rows out to properties, which may be lists."""
    values = _Values(lines=lines)
    at = np.cumsum(sizes) - sizes
    stop = at + sizes
    whole = np.append(flat, np.nan)
    for name in element.order:
        late = np.flatnonzero(at >= stop)
        if len(late):
            raise _short(path, element, f", line {lines[late[0]]}")
        if name in element.scalars:
            whole_numbers = element.scalars[name][0] in "iu"
            values.columns[name] = _counted(whole[at]) if whole_numbers else whole[at]
            at = at + 1
            continue
        counts = _counted(whole[at])
        bad = np.flatnonzero((counts < 0) | (at + 1 + counts > stop))
        if len(bad):
            raise _short(path, element, f", line {lines[bad[0]]}")
        values.lists[name] = whole[_runs(at + 1, counts)], counts
        at = at + 1 + counts
    return values


def _counted(values: NDArray[np.generic]) -> Ints:
    """Whole numbers as integers; what is none becomes -1."""
    if values.dtype.kind in "iu":
        return values.astype(np.int64)
    with np.errstate(invalid="ignore"):
        plain = values.astype(np.float64)
    fine = (np.abs(plain) < 1e15) & (plain == np.floor(plain))
    return np.where(fine, plain, -1.0).astype(np.int64)


def _runs(starts: Ints, counts: Ints) -> Ints:
    """Indices start, start + 1, ... of each run, one run after the other."""
    ends = np.cumsum(counts)
    return np.arange(int(ends[-1]) if len(ends) else 0) + np.repeat(starts - ends + counts, counts)


# -- binary -------------------------------------------------------------------------------------


def _read_binary(
    path: Path, body: bytes, elements: list[_Element], endian: str
) -> dict[str, _Values]:
    read: dict[str, _Values] = {}
    at = 0
    for element in elements:
        values, at = _read_element(path, body, at, element, endian)
        read[element.name] = values
    return read


def _read_element(
    path: Path, body: bytes, at: int, element: _Element, endian: str
) -> tuple[_Values, int]:
    """Rows of equal size are read at once; where lists differ in length, row by row."""
    if not element.count or not element.order:
        return _Values(), at
    lengths = _first_lengths(body, at, element, endian)
    if lengths is None:
        raise _short(path, element)
    row = _row_type(element, endian, lengths)
    size = row.itemsize * element.count
    if at + size <= len(body):
        table = np.frombuffer(body, row, element.count, at)
        if all((table[f"{name} count"] == lengths[name]).all() for name in element.lists):
            values = _Values({name: table[name] for name in element.scalars})
            for name in element.lists:
                counts = np.full(element.count, lengths[name], dtype=np.int64)
                values.lists[name] = table[name].reshape(-1), counts
            return values, at + size
    return _walk(path, body, at, element, endian)


def _row_type(element: _Element, endian: str, lengths: Mapping[str, int]) -> np.dtype:
    fields: list[tuple[str, object]] = []
    for name in element.order:
        if name in element.scalars:
            fields.append((name, np.dtype(endian + element.scalars[name])))
        else:
            count, entry = element.lists[name]
            fields.append((f"{name} count", np.dtype(endian + count)))
            fields.append((name, np.dtype((endian + entry, (lengths[name],)))))
    return np.dtype(fields)


def _first_lengths(body: bytes, at: int, element: _Element, endian: str) -> dict[str, int] | None:
    """How long each list of the first row is; None if the file ends in it."""
    lengths: dict[str, int] = {}
    for name in element.order:
        if name in element.scalars:
            at += np.dtype(element.scalars[name]).itemsize
            continue
        count, entry = (np.dtype(endian + kind) for kind in element.lists[name])
        if at + count.itemsize > len(body):
            return None
        lengths[name] = int(np.frombuffer(body, count, 1, at)[0])
        at += count.itemsize + lengths[name] * entry.itemsize
        if lengths[name] < 0 or at > len(body):
            return None
    return lengths


def _walk(path: Path, body: bytes, at: int, element: _Element, endian: str) -> tuple[_Values, int]:
    """Go through rows whose lists differ in length."""
    steps: list[tuple[str, int, int]] = []
    for name in element.order:
        if name in element.scalars:
            steps.append((name, np.dtype(element.scalars[name]).itemsize, 0))
        else:
            count, entry = (np.dtype(kind).itemsize for kind in element.lists[name])
            steps.append((name, count, entry))
    order: Literal["big", "little"] = "big" if endian == ">" else "little"
    starts: dict[str, list[int]] = {name: [] for name in element.order}
    counts: dict[str, list[int]] = {name: [] for name in element.lists}
    for _ in range(element.count):
        for name, size, entry in steps:
            if not entry:
                starts[name].append(at)
                at += size
                continue
            number = int.from_bytes(body[at : at + size], order)
            starts[name].append(at + size)
            counts[name].append(number)
            at += size + number * entry
        if at > len(body):
            raise _short(path, element)
    values = _Values()
    raw = np.frombuffer(body, np.uint8)
    for name in element.order:
        begin = np.array(starts[name], dtype=np.int64)
        if name in element.scalars:
            values.columns[name] = _gathered(raw, begin, endian + element.scalars[name])
            continue
        number_of = np.array(counts[name], dtype=np.int64)
        kind = np.dtype(endian + element.lists[name][1])
        entries = _runs(np.zeros_like(begin), number_of) * kind.itemsize
        places = np.repeat(begin, number_of) + entries
        values.lists[name] = _gathered(raw, places, kind.str), number_of
    return values, at


def _gathered(raw: NDArray[np.uint8], at: Ints, kind: str) -> NDArray[np.generic]:
    size = np.dtype(kind).itemsize
    return np.ascontiguousarray(raw[at[:, None] + np.arange(size)]).view(kind).reshape(-1)


# -- the mesh -----------------------------------------------------------------------------------


def _contents(path: Path, read: Mapping[str, _Values]) -> MeshContents:
    vertex, face = read.get("vertex", _Values()), read.get("face", _Values())
    if not all(axis in vertex.columns for axis in "xyz"):
        raise RibbonsimError(
            f"{path}: the file has no vertices with x, y and z; export the mesh again."
        )
    corners, counts = _corners(face)
    points = _table(vertex, ("x", "y", "z"))
    notes: list[str] = []
    texcoords, corner_texcoords = _texcoords(vertex, face, corners, counts, notes)
    normals = _table(vertex, _NORMALS) if all(n in vertex.columns for n in _NORMALS) else None
    if normals is not None and not np.isfinite(normals).all():
        normals = None
        notes.append("Normals are left out, as some are not finite numbers.")
    contents = MeshContents(
        positions=points,
        colours=_colours(vertex, notes),
        texcoords=texcoords,
        normals=normals,
        offsets=np.concatenate(([0], np.cumsum(counts))),
        corner_vertices=corners,
        corner_texcoords=corner_texcoords,
        corner_normals=None if normals is None else corners,
        group_names=(DEFAULT_NAME,),
        polygon_groups=np.zeros(len(counts), dtype=np.int64),
        object_names=(DEFAULT_NAME,),
        polygon_objects=np.zeros(len(counts), dtype=np.int64),
        vertex_lines=vertex.lines,
        polygon_lines=face.lines,
        notes=tuple(notes),
    )
    checked(contents, path)
    if corner_texcoords is corners or normals is not None:
        return join_seams(contents, np.zeros(len(points), dtype=np.int64))
    return contents


def _corners(face: _Values) -> tuple[Ints, Ints]:
    for name in _CORNERS:
        if name in face.lists:
            entries, counts = face.lists[name]
            return _counted(entries), counts
    return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)


def _table(values: _Values, names: tuple[str, ...]) -> Array:
    with np.errstate(invalid="ignore"):  # a signalling NaN, which is told of later
        return np.column_stack([values.columns[name].astype(np.float64) for name in names])


def _colours(vertex: _Values, notes: list[str]) -> Array | None:
    if not all(name in vertex.columns for name in _COLOURS):
        return None
    table = _table(vertex, _COLOURS)
    # whole numbers count from 0 to 255
    if vertex.columns["red"].dtype.kind in "iu":
        table = table / 255.0
    if not ((table >= 0.0) & (table <= 1.0)).all():
        notes.append("Vertex colours are left out, as some are out of range.")
        return None
    return table


def _texcoords(
    vertex: _Values, face: _Values, corners: Ints, counts: Ints, notes: list[str]
) -> tuple[Array | None, Ints | None]:
    if "texcoord" in face.lists:
        entries, sizes = face.lists["texcoord"]
        with np.errstate(invalid="ignore"):
            told = entries.astype(np.float64)
        if np.array_equal(sizes, 2 * counts) and np.isfinite(told).all():
            return told.reshape(-1, 2), np.arange(len(corners))
        notes.append("Texture coordinates are left out, as not every corner has two numbers.")
        return None, None
    for names in _TEXCOORDS:
        if all(name in vertex.columns for name in names):
            told = _table(vertex, names)
            if np.isfinite(told).all():
                return told, corners
            notes.append("Texture coordinates are left out, as some are not finite numbers.")
            return None, None
    return None, None
