"""What is found in a creature is kept beyond the creature, for the next one of equal shape.

The product finds guides, solids and planes once for each mesh. Tests open the same few creatures
from files over and over; shape alone says what is found, so that it need not be found again.
"""

import hashlib
import threading
from weakref import WeakKeyDictionary

from ribbonsim.body import field, guide, inside, pieces, place, plane

# how many shapes are kept; a solid takes some megabytes
FEW, MANY = 16, 200
MEMORIES = (
    (pieces, "_FOUND", MANY),
    (plane, "_PLANES", MANY),
    (place, "_PLACES", MANY),
    (guide, "_BETWEEN_FOUND_ENDS", MANY),
    (guide, "_READ", MANY),
    (inside, "_INSIDES", FEW),
    (field, "_SURFACES", FEW),
)


class OfEqualShape:
    """A mapping from meshes in which meshes of equal shape are one key."""

    def __init__(self, most):
        self._most = most
        self._own = WeakKeyDictionary()
        self._shapes = WeakKeyDictionary()
        self._held = {}
        self._lock = threading.RLock()  # panels look for things beside the tests

    def _shape(self, mesh):
        if mesh not in self._shapes:
            parts = (mesh.positions, mesh.polygon_offsets, mesh.corner_vertices, mesh.triangles)
            shape = hashlib.sha256(repr([part.shape for part in parts]).encode())
            for part in parts:
                shape.update(part.tobytes())
            self._shapes[mesh] = shape.digest()
        return self._shapes[mesh]

    def __contains__(self, mesh):
        with self._lock:
            return mesh in self._own or self._shape(mesh) in self._held

    def __getitem__(self, mesh):
        with self._lock:
            if mesh not in self._own:
                shape = self._shape(mesh)
                # what was asked for last goes last
                self._own[mesh] = self._held[shape] = self._held.pop(shape)
            return self._own[mesh]

    def __setitem__(self, mesh, found):
        with self._lock:
            self._own[mesh] = self._held[self._shape(mesh)] = found
            while len(self._held) > self._most:
                self._held.pop(next(iter(self._held)))

    def setdefault(self, mesh, found):
        with self._lock:
            if mesh not in self:
                self[mesh] = found
            return self[mesh]


def remember_shapes(monkeypatch):
    for module, name, most in MEMORIES:
        monkeypatch.setattr(module, name, OfEqualShape(most))
