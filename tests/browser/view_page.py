"""The module that draws in a browser, alone on a page: no notebook and no kernel."""

import base64
import json

import numpy as np

from ribbonsim.inpage.creature_bytes import pack_binding, pack_creature
from ribbonsim.inpage.source import view_source

# a page of its own, so that a test says alone what is shown
_PAGE = """<!doctype html><meta charset="utf-8"><link rel="icon" href="data:,">
<style>body { margin: 0 } #host { width: %dpx; height: %dpx }</style><div id="host"></div>
<script type="module">
%s
Object.assign(window, { CreatureView, Steps, Camera, unpack });
window.bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
window.text = (array) => {
  const data = new Uint8Array(array.buffer, array.byteOffset, array.byteLength);
  let text = "";
  for (let i = 0; i < data.length; i += 8192)
    text += String.fromCharCode(...data.subarray(i, i + 8192));
  return btoa(text);
};
window.open_view = ({ creature, layouts }, options) => {
  window.told = { picks: [], cameras: [], drags: [] };
  window.view = new CreatureView(document.getElementById("host"), {
    creature: unpack(bytes(creature)), layouts: layouts.map((each) => unpack(bytes(each))),
    smooth: false, ...options,
    on: {
      pick: (found) => told.picks.push(found), camera: (camera) => told.cameras.push(camera),
      drag: (drag) => told.drags.push(drag),
    },
  });
};
window.ready = true;
</script>"""


def as_text(data):
    """Bytes as they are given to a page."""
    return base64.b64encode(data).decode("ascii")


class ViewPage:
    """A page with one view, for tests of what it does."""

    def __init__(self, page, folder, size=(480, 360)):
        self.page = page
        self.requests, self.errors = [], []
        file = folder / "view.html"
        file.write_text(_PAGE % (*size, view_source()), encoding="utf-8")
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.goto(file.as_uri())
        page.wait_for_function("window.ready")

    def open(self, *rigs, small=False, **options):
        """Show rigs of one mesh at rest, and close the view that was there."""
        self.run("window.view && view.close()")
        packed = {
            "creature": as_text(pack_creature(rigs[0].mesh, rigs[0].layout.up, small)),
            "layouts": [
                as_text(pack_binding(rig, f"layout {i}", small)) for i, rig in enumerate(rigs)
            ],
        }
        self.run(f"open_view({json.dumps(packed)}, {json.dumps(options)})")

    def run(self, script):
        """The value of a script."""
        return self.page.evaluate(script)

    def pose(self, numbers, layout=0):
        """Give a layout a pose's numbers."""
        data = as_text(np.asarray(numbers, np.float32).tobytes())
        self.run(f"view.setPose({layout}, new Float32Array(bytes('{data}').buffer))")

    def skin(self, layout=0):
        """(V, 3) posed positions and normals as the card has them, stage units."""
        text = self.run(f"text(view.layouts[{layout}].readBack())")
        table = np.frombuffer(base64.b64decode(text), np.float32).reshape(-1, 6)
        return table[:, :3].astype(float), table[:, 3:].astype(float)

    def picture(self):
        """The drawn picture, (height, width, 3) from 0 to 255."""
        text, wide, high = self.run(
            """(() => { const c = view.still(), p = c.getContext("2d");
            return [text(p.getImageData(0, 0, c.width, c.height).data), c.width, c.height]; })()"""
        )
        pixels = np.frombuffer(base64.b64decode(text), np.uint8).reshape(high, wide, 4)
        return pixels[:, :, :3].astype(float)
