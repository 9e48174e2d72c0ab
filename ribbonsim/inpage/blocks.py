"""Arrays and facts as one run of bytes, as the browser's module reads them.

Four bytes say how long the head is; the head is JSON and names each array with its kind, shape
and place; the arrays follow, each at a multiple of four bytes. All numbers are little-endian.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

_KINDS = {"f4": "<f4", "u4": "<u4", "u2": "<u2", "u1": "<u1"}


@dataclass(frozen=True, eq=False)
class Steps16:
    """Numbers in 16 bits: how many steps each is above the lowest.

    Each is stored as the difference from the one before it, and low bytes apart from high
    ones, so that it can be compressed well.

    Parameters
    ----------
    values : array
        The first axis runs along the differences.
    bits : int
        At most 16; fewer are coarser and compress better.
    low, high : float, optional
        The range; that of the values if left out.
    """

    values: NDArray[np.floating]
    bits: int = 16
    low: float | None = None
    high: float | None = None


def pack_blocks(arrays: Mapping[str, ArrayLike | Steps16], facts: Mapping[str, Any]) -> bytes:
    """Pack arrays and facts.

    Parameters
    ----------
    arrays : mapping of str to array or Steps16
        float32, or unsigned integers of 8, 16 or 32 bits; other floats become float32.
    facts : mapping
        What JSON can hold.

    Returns
    -------
    bytes
    """
    told: dict[str, dict[str, Any]] = {}
    parts: list[bytes] = []
    at = 0
    for name, given in arrays.items():
        entry, data = _steps(given) if isinstance(given, Steps16) else _plain(np.asarray(given))
        told[name] = {**entry, "at": at}
        parts.append(data + bytes(-len(data) % 4))
        at += len(parts[-1])
    head = json.dumps({"arrays": told, "facts": facts}, separators=(",", ":")).encode()
    head += b" " * (-len(head) % 4)
    return b"".join([len(head).to_bytes(4, "little"), head, *parts])


def _plain(values: NDArray[Any]) -> tuple[dict[str, Any], bytes]:
    kind = f"{values.dtype.kind}{values.dtype.itemsize}"
    if kind not in _KINDS:
        if values.dtype.kind != "f":
            raise TypeError(f"an array of {values.dtype} is not sent: make it unsigned or float")
        kind = "f4"
    data = np.ascontiguousarray(values, _KINDS[kind]).tobytes()
    return {"kind": kind, "shape": list(values.shape)}, data


def _steps(coded: Steps16) -> tuple[dict[str, Any], bytes]:
    values = np.asarray(coded.values, dtype=float)
    low = float(values.min(initial=np.inf) if coded.low is None else coded.low)
    high = float(values.max(initial=-np.inf) if coded.high is None else coded.high)
    if not values.size:
        low = high = 0.0
    step = (high - low) / (2**coded.bits - 1) or 1.0
    raw = np.clip(np.round((values - low) / step), 0, 65535).astype(np.uint16)
    rows = raw.reshape(len(raw), -1) if raw.size else raw.reshape(0, 1)
    changes = np.diff(rows, axis=0, prepend=np.zeros((1, rows.shape[1]), np.uint16))
    flat = changes.astype("<u2").ravel()
    data = (flat & 255).astype(np.uint8).tobytes() + (flat >> 8).astype(np.uint8).tobytes()
    entry = {
        "kind": "s16",
        "shape": list(values.shape),
        "stride": int(rows.shape[1]),
        "low": low,
        "step": step,
    }
    return entry, data
