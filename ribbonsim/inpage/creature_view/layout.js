// -- one layout on the card -----------------------------------------------------------------------

/** A layout's weights, posed skin, ribbons, and where its stations and controls are. */
class Layout {
  constructor({ arrays, facts }, creature) {
    Object.assign(this, { arrays, facts, creature, dual: facts.method === "dual_quaternion" });
    this.joints = new Joints(arrays);
    this.vertices = creature.facts.vertices;
    const rows = arrays.row_starts.length, seats = arrays.seat_starts.length;
    this.surface = new Float32Array(rows * 2 * 6); // both sides of each row: place, normal
    this.seats = new Float32Array(seats * 3);
    const begins = arrays.ribbon_rows;
    this.faces = stripFaces(begins);
    this.wires = ribbonWires(begins, arrays.knot_rows);
    this.segments = new Float32Array(this.wires.length * 3);
    this.shares = this.tints = null; // values of the heat colours, 0 to 255; or colours themselves
    this.numbers = null;
    this.seatsOnGround = this.pressed = null;
  }

  get stations() { return this.facts.stations.length; }

  /** Where a station (first all of them) or a control stands. */
  seat(number) { return this.seats.subarray(3 * number, 3 * number + 3); }
  control(number) { return this.seat(this.stations + number); }

  build(gl, programs) {
    const { arrays } = this, { positions, normals } = this.creature.arrays;
    this.gl = gl;
    this.programs = programs;
    const firsts = new Uint32Array(arrays.counts.length);
    for (let i = 1; i < firsts.length; i++) firsts[i] = firsts[i - 1] + arrays.counts[i - 1];
    const runs = new Uint32Array(2 * this.vertices);
    for (let v = 0; v < this.vertices; v++)
      runs.set([firsts[arrays.row_of[v]], arrays.counts[arrays.row_of[v]]], 2 * v);
    const high = Math.max(1, Math.ceil(arrays.joints.length / ENTRY_ROW));
    const table = new Float32Array(2 * ENTRY_ROW * high);
    arrays.joints.forEach((joint, i) => table.set([joint, arrays.weights[i]], 2 * i));
    this.entries = makeTexture(gl, [gl.RG32F, gl.RG, gl.FLOAT], ENTRY_ROW, high, table);
    const four = [gl.RGBA32F, gl.RGBA, gl.FLOAT];
    this.texture = makeTexture(gl, four, JOINT_TEXELS, this.joints.count, null);
    const array = (content, usage) => makeBuffer(gl, gl.ARRAY_BUFFER, content, usage);
    this.skinInputs = gl.createVertexArray();
    gl.bindVertexArray(this.skinInputs);
    feed(gl, "rest", array(positions), 3);
    feed(gl, "restNormal", array(normals), 3);
    feed(gl, "run", array(runs), 2, { type: gl.UNSIGNED_INT, whole: true });
    this.lying = null;
    if (this.seatsOnGround) this.feedSeats();
    this.skin = array(this.vertices * 24, gl.DYNAMIC_COPY);
    this.feedback = gl.createTransformFeedback();
    this.heat = array(this.shares ?? this.vertices, gl.DYNAMIC_DRAW);
    this.hues = array(this.tints ?? 3 * this.vertices, gl.DYNAMIC_DRAW);
    this.body = gl.createVertexArray();
    gl.bindVertexArray(this.body);
    feed(gl, "position", this.skin, 3, { stride: 24 });
    feed(gl, "normal", this.skin, 3, { stride: 24, at: 12 });
    feed(gl, "shade", array(arrays.shade), 1, { type: gl.UNSIGNED_BYTE });
    feed(gl, "share", this.heat, 1, { type: gl.UNSIGNED_BYTE });
    feed(gl, "tint", this.hues, 3, { type: gl.UNSIGNED_BYTE });
    this.sheet = array(this.surface.byteLength, gl.DYNAMIC_DRAW);
    this.ribbon = gl.createVertexArray();
    gl.bindVertexArray(this.ribbon);
    feed(gl, "position", this.sheet, 3, { stride: 24 });
    feed(gl, "normal", this.sheet, 3, { stride: 24, at: 12 });
    makeBuffer(gl, gl.ELEMENT_ARRAY_BUFFER, this.faces);
    this.strokes = array(this.segments.byteLength, gl.DYNAMIC_DRAW);
    this.lines = gl.createVertexArray();
    gl.bindVertexArray(this.lines);
    feed(gl, "corner", array(Float32Array.of(0, -1, 1, -1, 0, 1, 1, 1)), 2);
    feed(gl, "start", this.strokes, 3, { stride: 24, each: 1 });
    feed(gl, "end", this.strokes, 3, { stride: 24, at: 12, each: 1 });
    gl.bindVertexArray(null);
    this.shadow = new Shadow(gl, programs);
    if (this.numbers) this.pose(this.numbers);
  }

  /** Whether numbers are a pose of this layout. */
  fits(numbers) { return numbers.length === this.joints.count * JOINT_NUMBERS + 6 * this.facts.points; }

  /** Know where each vertex belongs on the ground, before the first pose that lies on it. */
  lieOn({ arrays, facts }) {
    this.seatsOnGround = { ...arrays, count: facts.limbs };
    if (this.gl) this.feedSeats();
  }

  feedSeats() {
    const { gl } = this, { sections, limbs, away, count } = this.seatsOnGround;
    const table = new Float32Array(3 * this.vertices);
    for (let v = 0; v < this.vertices; v++) table.set([sections[v], limbs[v], away[v]], 3 * v);
    gl.bindVertexArray(this.skinInputs);
    feed(gl, "lie", makeBuffer(gl, gl.ARRAY_BUFFER, table), 3);
    gl.bindVertexArray(null);
    this.cells = new Float32Array(4 * SECTIONS * (2 + count));
    this.lying = makeTexture(gl, [gl.RGBA32F, gl.RGBA, gl.FLOAT], SECTIONS, 2 + count, this.cells);
  }

  /** Send what the ground does: sections in two rows, which are what is lost and in which
   *  direction they are wider, and their centres; then a row for each limb. */
  sendPressed() {
    const { gl, cells, pressed, numbers } = this, { starts, weights, count } = this.seatsOnGround;
    const points = numbers.subarray(this.joints.count * JOINT_NUMBERS), second = 4 * SECTIONS;
    const here = [0, 0, 0], there = [0, 0, 0], sky = this.creature.facts.upright.slice(3, 6);
    for (let s = 0; s < SECTIONS; s++) {
      splineAt(points, starts[s], weights, s, 0, here, 0);
      splineAt(points, starts[s], weights, s, 1, there, 0);
      for (let k = 0; k < 3; k++) cells[second + 4 * s + k] = 0.5 * (here[k] + there[k]);
    }
    for (let s = 0; s < SECTIONS; s++) {
      const back = second + 4 * Math.max(s - 1, 0), on = second + 4 * Math.min(s + 1, SECTIONS - 1);
      const aside = cross3(sky, [0, 1, 2].map((k) => cells[on + k] - cells[back + k]));
      const size = Math.hypot(...aside) || 1;
      for (let k = 0; k < 3; k++) cells[4 * s + k] = aside[k] / size;
      cells[4 * s + 3] = pressed[s];
    }
    for (let limb = 0; limb < count; limb++) {
      const from = SECTIONS + limb * (3 + LIMB_PARTS), to = 4 * SECTIONS * (2 + limb);
      for (let k = 0; k < 3; k++) cells[to + k] = pressed[from + k];
      for (let k = 0; k < LIMB_PARTS; k++) cells[to + 4 * (1 + k)] = pressed[from + 3 + k];
    }
    gl.activeTexture(gl.TEXTURE2);
    gl.bindTexture(gl.TEXTURE_2D, this.lying);
    gl.texSubImage2D(gl.TEXTURE_2D, 0, 0, 0, SECTIONS, 2 + count, gl.RGBA, gl.FLOAT, cells);
    gl.activeTexture(gl.TEXTURE0);
  }

  /** Take a pose: its numbers are kept, and the skin is posed on the card; what the ground does
   *  to it may be told with it. */
  pose(numbers, pressed = null) {
    this.numbers ??= new Float32Array(numbers.length);
    if (this.numbers !== numbers) {
      this.numbers.set(numbers);
      if (pressed) (this.told ??= new Float32Array(pressed.length)).set(pressed);
      this.pressed = pressed && this.told;
    }
    this.bendRibbons(this.numbers.subarray(this.joints.count * JOINT_NUMBERS));
    if (this.gl) this.bendSkin();
  }

  bendSkin() {
    const { gl } = this;
    gl.bindTexture(gl.TEXTURE_2D, this.texture);
    const texels = this.joints.take(this.numbers, this.dual);
    gl.texSubImage2D(
      gl.TEXTURE_2D, 0, 0, 0, JOINT_TEXELS, this.joints.count, gl.RGBA, gl.FLOAT, texels);
    gl.activeTexture(gl.TEXTURE1);
    gl.bindTexture(gl.TEXTURE_2D, this.entries);
    gl.activeTexture(gl.TEXTURE0);
    const { upright, ground } = this.creature.facts;
    const lies = Boolean(this.pressed && this.lying);
    if (lies) this.sendPressed();
    this.programs.skin.use({
      joints: 0, entries: 1, pressed: 2, dual: this.dual, lies, sky: upright.slice(3, 6), ground,
    });
    gl.bindVertexArray(this.skinInputs);
    gl.bindBuffer(gl.ARRAY_BUFFER, null);
    gl.bindTransformFeedback(gl.TRANSFORM_FEEDBACK, this.feedback);
    gl.bindBufferBase(gl.TRANSFORM_FEEDBACK_BUFFER, 0, this.skin);
    gl.enable(gl.RASTERIZER_DISCARD);
    gl.beginTransformFeedback(gl.POINTS);
    gl.drawArrays(gl.POINTS, 0, this.vertices);
    gl.endTransformFeedback();
    gl.disable(gl.RASTERIZER_DISCARD);
    gl.bindBufferBase(gl.TRANSFORM_FEEDBACK_BUFFER, 0, null);
    gl.bindTransformFeedback(gl.TRANSFORM_FEEDBACK, null);
    this.shadow.stale = true;
  }

  bendRibbons(points) {
    const { row_starts, row_weights, seat_starts, seat_weights } = this.arrays;
    const s = this.surface, rows = row_starts.length;
    for (let i = 0; i < rows; i++)
      for (let side = 0; side < 2; side++)
        splineAt(points, row_starts[i], row_weights, i, side, s, 12 * i + 6 * side);
    for (let i = 0; i < rows; i++) {
      const back = 12 * Math.max(i - 1, 0), on = 12 * Math.min(i + 1, rows - 1), at = 12 * i;
      const along = [0, 1, 2].map((k) => s[on + k] - s[back + k]);
      const n = cross3(along, [0, 1, 2].map((k) => s[at + 6 + k] - s[at + k]));
      const size = Math.hypot(...n) || 1;
      for (let k = 0; k < 3; k++) s[at + 3 + k] = s[at + 9 + k] = n[k] / size;
    }
    const here = [0, 0, 0], there = [0, 0, 0];
    for (let i = 0; i < seat_starts.length; i++) {
      splineAt(points, seat_starts[i], seat_weights, i, 0, here, 0);
      splineAt(points, seat_starts[i], seat_weights, i, 1, there, 0);
      for (let k = 0; k < 3; k++) this.seats[3 * i + k] = 0.5 * (here[k] + there[k]);
    }
    this.wires.forEach((vertex, i) => {
      for (let k = 0; k < 3; k++) this.segments[3 * i + k] = s[6 * vertex + k];
    });
    this.sent = false;
  }

  sendRibbons() {
    if (this.sent) return;
    const { gl } = this;
    for (const [buffer, content] of [[this.sheet, this.surface], [this.strokes, this.segments]]) {
      gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
      gl.bufferSubData(gl.ARRAY_BUFFER, 0, content);
    }
    this.sent = true;
  }

  /** Positions and normals of the posed skin, six numbers a vertex, as the card has them. */
  readBack(first = 0, count = this.vertices) {
    const { gl } = this, out = new Float32Array(6 * count);
    gl.bindBuffer(gl.ARRAY_BUFFER, this.skin);
    gl.getBufferSubData(gl.ARRAY_BUFFER, 24 * first, out);
    return out;
  }

  /** One value a vertex, or three for a colour; null for clay. */
  setHeat(values) {
    const mixed = values?.length === 3 * this.vertices;
    [this.shares, this.tints] = mixed ? [null, values] : [values, null];
    if (!this.gl || !values) return;
    this.gl.bindBuffer(this.gl.ARRAY_BUFFER, mixed ? this.hues : this.heat);
    this.gl.bufferSubData(this.gl.ARRAY_BUFFER, 0, values);
  }
}

function splineAt(points, first, weights, row, side, out, at) {
  for (let k = 0; k < 3; k++) {
    let sum = 0;
    for (let i = 0; i < 4; i++) sum += weights[4 * row + i] * points[6 * (first + i) + 3 * side + k];
    out[at + k] = sum;
  }
}

function stripFaces(begins) {
  const faces = [];
  for (let r = 0; r + 1 < begins.length; r++)
    for (let i = begins[r]; i + 1 < begins[r + 1]; i++) {
      const a = 2 * i;
      faces.push(a, a + 2, a + 1, a + 1, a + 2, a + 3);
    }
  return Uint16Array.from(faces);
}

/** Ends of the pieces of both edge curves and of the lines at knots. */
function ribbonWires(begins, knots) {
  const ends = [];
  for (let r = 0; r + 1 < begins.length; r++)
    for (let i = begins[r]; i + 1 < begins[r + 1]; i++)
      ends.push(2 * i, 2 * i + 2, 2 * i + 1, 2 * i + 3);
  for (const row of knots) ends.push(2 * row, 2 * row + 1);
  return Uint16Array.from(ends);
}

/** The soft shadow below a creature; made anew when its pose changed, not when the camera did. */
class Shadow {
  constructor(gl, programs) {
    Object.assign(this, { gl, programs, stale: true });
    const kind = [gl.RGBA8, gl.RGBA, gl.UNSIGNED_BYTE];
    this.images = [0, 1].map(() => makeTexture(gl, kind, SHADOW_SIDE, SHADOW_SIDE, null, true));
    this.frames = this.images.map((image) => {
      const frame = gl.createFramebuffer();
      gl.bindFramebuffer(gl.FRAMEBUFFER, frame);
      gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.TEXTURE_2D, image, 0);
      return frame;
    });
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
  }

  make(scene, drawBody) {
    if (!this.stale) return this.images[0];
    const { gl, programs } = this;
    gl.viewport(0, 0, SHADOW_SIDE, SHADOW_SIDE);
    gl.disable(gl.DEPTH_TEST);
    gl.bindFramebuffer(gl.FRAMEBUFFER, this.frames[0]);
    gl.clearColor(0, 0, 0, 0);
    gl.clear(gl.COLOR_BUFFER_BIT);
    gl.enable(gl.BLEND);
    gl.blendEquation(gl.MAX);
    programs.above.use(scene);
    drawBody();
    gl.blendEquation(gl.FUNC_ADD);
    gl.disable(gl.BLEND);
    for (const [from, to, step] of [[0, 1, [1, 0]], [1, 0, [0, 1]]]) {
      gl.bindFramebuffer(gl.FRAMEBUFFER, this.frames[to]);
      gl.bindTexture(gl.TEXTURE_2D, this.images[from]);
      programs.blur.use({ image: 0, step: step.map((side) => (1.1 * side) / SHADOW_SIDE) });
      scene.fill();
    }
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    gl.enable(gl.DEPTH_TEST);
    this.stale = false;
    return this.images[0];
  }
}

