
// -- the creature at rest, faint, behind its pose -------------------------------------------------

// Only what is clearly apart from the posed skin is seen of it: so much, of the creature's size,
// it stands back, so that skin which has not moved does not flicker through.
const REST_BACK = 0.004, REST_OPACITY = [0.07, 0.75];

/** The skin as it was before it was posed, drawn by what draws posed skins. */
class RestSkin {
  constructor(gl, { positions, normals }) {
    const array = (content) => makeBuffer(gl, gl.ARRAY_BUFFER, content);
    this.shares = this.tints = null;
    this.body = gl.createVertexArray();
    gl.bindVertexArray(this.body);
    feed(gl, "position", array(positions), 3);
    feed(gl, "normal", array(normals), 3);
    gl.bindVertexArray(null);
    gl.vertexAttrib1f(PLACE.shade, 1); // where no stripes are given, none darkens
  }
}

/** Draw it last: what stands before it hides it, and what it stands before shows through. */
function drawRest(view) {
  view.scene.behind = REST_BACK;
  view.drawGlass(view.atRest, view.look.rest, REST_OPACITY);
  view.scene.behind = 0;
}

/** Balls that hold it, for the camera. */
const restBalls = ({ arrays: { origins, radii } }) =>
  [...radii].map((radius, i) => ({ at: origins.subarray(3 * i, 3 * i + 3), radius }));
