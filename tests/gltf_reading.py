"""A reader of skinned glTF that is none of ours: pygltflib for the file, the standard's rules
(glTF 2.0, sections 3.7.3, 3.11 and appendix C) for what it means."""

import numpy as np
import pygltflib

KINDS = {5121: np.uint8, 5123: np.uint16, 5125: np.uint32, 5126: np.float32}
WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT4": 16}


class Scene:
    """A file, its animations played at a time."""

    def __init__(self, path):
        self.gltf = pygltflib.GLTF2().load(str(path))
        (skin,), (mesh,) = self.gltf.skins, self.gltf.meshes
        (self.primitive,) = mesh.primitives
        self.joints = skin.joints
        self.inverse_bind = self.read(skin.inverseBindMatrices).reshape(-1, 4, 4)
        self.inverse_bind = self.inverse_bind.transpose(0, 2, 1)  # stored column by column
        attributes = self.primitive.attributes
        self.positions = self.read(attributes.POSITION)
        sets = [n for n in range(64) if getattr(attributes, f"JOINTS_{n}", None) is not None]
        self.influences = np.hstack([self.read(getattr(attributes, f"JOINTS_{n}")) for n in sets])
        self.weights = np.hstack([self.read(getattr(attributes, f"WEIGHTS_{n}")) for n in sets])
        self.triangles = self.read(self.primitive.indices).reshape(-1, 3).astype(int)
        self.source = mesh.extras["source"]

    def read(self, number):
        accessor = self.gltf.accessors[number]
        view = self.gltf.bufferViews[accessor.bufferView]
        data = self.gltf.get_data_from_buffer_uri(self.gltf.buffers[0].uri)
        start = (view.byteOffset or 0) + (accessor.byteOffset or 0)
        count = accessor.count * WIDTHS[accessor.type]
        values = np.frombuffer(data, KINDS[accessor.componentType], count, start)
        values = values.reshape(accessor.count, -1)
        return values.astype(float) if values.dtype == np.float32 else values.astype(np.int64)

    def sources(self):
        """Vertex of the source that each vertex stands for."""
        return np.r_[np.arange(self.source["vertices"]), self.source["doubled_at_seams"]].astype(
            int
        )

    def locals_at(self, animation, time):
        """Translation, rotation and scale of each node."""
        nodes = [
            {
                "translation": np.array(node.translation or [0.0, 0.0, 0.0]),
                "rotation": np.array(node.rotation or [0.0, 0.0, 0.0, 1.0]),
                "scale": np.array(node.scale or [1.0, 1.0, 1.0]),
            }
            for node in self.gltf.nodes
        ]
        if animation is None:
            return nodes
        (found,) = [a for a in self.gltf.animations if a.name == animation]
        for channel in found.channels:
            sampler = found.samplers[channel.sampler]
            assert sampler.interpolation == "LINEAR"
            times, values = self.read(sampler.input).ravel(), self.read(sampler.output)
            value = interpolated(times, values, time, channel.target.path)
            nodes[channel.target.node][channel.target.path] = value
        return nodes

    def globals_at(self, animation, time):
        matrices = [matrix(**node) for node in self.locals_at(animation, time)]
        placed = {}

        def place(number, above):
            placed[number] = above @ matrices[number]
            for child in self.gltf.nodes[number].children or []:
                place(child, placed[number])

        for root in self.gltf.scenes[self.gltf.scene].nodes:
            place(root, np.eye(4))
        return placed

    def skin_at(self, animation, time):
        """Where the vertices are; the transform of the mesh's own node counts for nothing."""
        placed = self.globals_at(animation, time)
        joints = np.array([placed[number] for number in self.joints]) @ self.inverse_bind
        blended = np.einsum("vk,vkij->vij", self.weights, joints[self.influences])
        return np.einsum("vij,vj->vi", blended[:, :3, :3], self.positions) + blended[:, :3, 3]


def interpolated(times, values, time, path):
    if time <= times[0]:
        return values[0]
    if time >= times[-1]:
        return values[-1]
    k = int(np.searchsorted(times, time, side="right")) - 1
    share = (time - times[k]) / (times[k + 1] - times[k])
    a, b = values[k], values[k + 1]
    if path != "rotation":
        return (1.0 - share) * a + share * b
    # spherical, along the shorter arc: appendix C.4
    a, b = a / np.linalg.norm(a), b / np.linalg.norm(b)
    if a @ b < 0:
        b = -b
    angle = 2.0 * np.arctan2(np.linalg.norm(b - a), np.linalg.norm(b + a))
    if angle == 0.0:
        return a
    return (np.sin((1.0 - share) * angle) * a + np.sin(share * angle) * b) / np.sin(angle)


def matrix(translation, rotation, scale):
    x, y, z, w = rotation / np.linalg.norm(rotation)
    whole = np.eye(4)
    whole[:3, :3] = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    whole[:3, :3] *= scale
    whole[:3, 3] = translation
    return whole
