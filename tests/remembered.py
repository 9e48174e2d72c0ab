"""What is found in a creature is kept beyond the creature, for the next one of equal shape.

The product finds guides, solids and planes once for each mesh. Tests open the same few creatures
from files over and over; shape alone says what is found, so that it need not be found again.
"""

import hashlib
import threading
from weakref import WeakKeyDictionary

from ribbonsim.body import field, guide, inside, pieces, plane

# of the creatures seen last; a solid takes some megabytes
MOST = 16
MEMORIES = (
    (pieces, "_FOUND"),
    (inside, "_INSIDES"),
    (plane, "_PLANES"),
    (field, "_SURFACES"),
    (guide, "_BETWEEN_FOUND_ENDS"),
)


class OfEqualShape:
    """A mapping from meshes in which meshes of equal shape are one key."""

    def __init__(self):
        self._shapes = WeakKeyDictionary()
        self._held = {}
        self._lock = threading.Lock()  # panels look for things beside the tests

    def _shape(self, mesh):
        if mesh not in self._shapes:
            parts = (mesh.positions, mesh.polygon_offsets, mesh.corner_vertices, mesh.triangles)
            shape = hashlib.sha256(repr([part.shape for part in parts]).encode())
            for part in parts:
                shape.update(part.tobytes())
            self._shapes[mesh] = shape.digest()
        return self._shapes[mesh]

    def __contains__(self, mesh):
        shape = self._shape(mesh)
        with self._lock:
            return shape in self._held

    def __getitem__(self, mesh):
        shape = self._shape(mesh)
        with self._lock:
            self._held[shape] = self._held.pop(shape)  # what was asked for last goes last
            return self._held[shape]

    def __setitem__(self, mesh, found):
        shape = self._shape(mesh)
        with self._lock:
            self._held[shape] = found
            while len(self._held) > MOST:
                self._held.pop(next(iter(self._held)))


def remember_shapes(monkeypatch):
    for module, name in MEMORIES:
        monkeypatch.setattr(module, name, OfEqualShape())
