// -- the whole ------------------------------------------------------------------------------------

const SHOWN = {
  ribbon: false, stations: false, controls: true, edges: false, glass: false, stripes: false, rest: false,
  ground: true, chosen: "", named: "body", scale: null, front: null, // the layout that is chosen
  guide: null, picks: false, piece: null, place: null, // a guide that is drawn; a vertex is asked for
  left: 0, // of two layouts on either side of a line
  few: false, // whether only the chosen control and the one under the pointer have their names
};
const LETTERS = "ABCDEF";

/** The creature on one canvas: `host` is the element it fills.
 *
 *  `on` may hold: pick({kind, name | number | vertex | index, layout}), camera(told, done),
 *  drag({control, layout, right, up, keys, done}) of a control's dot, pose(), lost(), and
 *  hover(vertex) where the pointer rests, null beside the creature,
 *  divider(share, done) of the line between before and after, end() where Escape ends that,
 *  draw({act, x, y, size, camera, …}) of a guide: a click, or a drag of one of its points.
 *  Throws where the browser has no WebGL2. */
export class CreatureView {
  constructor(host, { creature, layouts, on = {}, smooth = true, wheel = "always", dense = MOST_DENSE }) {
    Object.assign(this, { host, on, smooth, wheel, dense, layouts: [], marks: [] });
    this.creature = creature;
    this.look = { ...creature.facts.look, ...creature.arrays };
    this.shown = { ...SHOWN };
    this.arrangement = "side";
    this.divider = 0.5;
    this.camera = new Camera(creature.facts.upright);
    this.triangles = trianglesOf(creature.arrays);
    this.makeCanvases();
    this.build();
    layouts.forEach((layout, number) => this.setLayout(number, layout));
    this.listen();
    this.resize();
  }

  makeCanvases() {
    this.host.classList.add("rs-view3d");
    Object.assign(this.host.style, { position: "relative", touchAction: "none", outlineOffset: "2px" });
    this.host.tabIndex = 0;
    const [front, over] = [0, 1].map(() => {
      const canvas = document.createElement("canvas");
      Object.assign(canvas.style, { position: "absolute", inset: 0, width: "100%", height: "100%" });
      return canvas;
    });
    const wanted = { antialias: this.smooth, alpha: false, powerPreference: "high-performance" };
    this.gl = front.getContext("webgl2", wanted);
    if (!this.gl) throw new Error("this browser has no WebGL2");
    over.style.pointerEvents = "none";
    this.canvas = front;
    this.overlay = new Overlay(over, this.look);
    this.host.append(front, over);
  }

  /** Make what is on the card: once, and again when a lost context came back. */
  build() {
    const { gl, creature, look } = this;
    const make = (...sources) => new Program(gl, ...sources);
    this.programs = {
      skin: make(SKIN, NOTHING, ["posed", "turned"]), body: make(BODY, LIT), flat: make(FLAT, PLAIN),
      lines: make(LINES, PLAIN), ids: make(IDS, AS_COLOUR), above: make(ABOVE, NEARNESS),
      blur: make(WHOLE, BLUR), ground: make(WHOLE, GROUND),
    };
    this.faces = makeBuffer(gl, gl.ELEMENT_ARRAY_BUFFER, this.triangles);
    this.edges = makeBuffer(gl, gl.ELEMENT_ARRAY_BUFFER, Uint32Array.from(creature.arrays.edges));
    this.square = makeBuffer(gl, gl.ARRAY_BUFFER, Float32Array.of(-1, -1, 1, -1, -1, 1, 1, 1));
    this.whole = gl.createVertexArray();
    gl.bindVertexArray(this.whole);
    feed(gl, "corner", this.square, 2);
    gl.bindVertexArray(null);
    const rgb = [gl.RGB8, gl.RGB, gl.UNSIGNED_BYTE];
    gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
    this.scales = ["sequential", "diverging"].map((name) => makeTexture(gl, rgb, 256, 1, look[name], true));
    this.makePicker();
    this.atRest = new RestSkin(gl, creature.arrays);
    for (const layout of this.layouts) layout.build(gl, this.programs);
    gl.enable(gl.DEPTH_TEST);
  }

  makePicker() {
    const { gl } = this;
    this.picker = gl.createFramebuffer();
    gl.bindFramebuffer(gl.FRAMEBUFFER, this.picker);
    const image = makeTexture(gl, [gl.RGBA8, gl.RGBA, gl.UNSIGNED_BYTE], 1, 1, null);
    gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.TEXTURE_2D, image, 0);
    const depth = gl.createRenderbuffer();
    gl.bindRenderbuffer(gl.RENDERBUFFER, depth);
    gl.renderbufferStorage(gl.RENDERBUFFER, gl.DEPTH_COMPONENT24, 1, 1);
    gl.framebufferRenderbuffer(gl.FRAMEBUFFER, gl.DEPTH_ATTACHMENT, gl.RENDERBUFFER, depth);
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
  }

  // -- what is shown --

  /** Put a layout in its place, or another one there. */
  setLayout(number, binding, how = this.arrangement) {
    const layout = new Layout(binding, this.creature);
    layout.build(this.gl, this.programs);
    this.layouts[number] = layout;
    this.arrange(how);
  }

  keepLayouts(count) {
    this.layouts.length = Math.min(this.layouts.length, count);
    this.arrange();
  }

  setPose(number, numbers, pressed = null) {
    this.layouts[number].pose(numbers, pressed);
    this.ask();
  }

  setMethod(method) {
    for (const layout of this.layouts) {
      layout.dual = method === "dual_quaternion";
      if (layout.numbers) layout.pose(layout.numbers);
    }
    this.ask();
  }

  /** Values of the heat colours, 0 to 255 of the scale; the scale itself is in `shown`. */
  setHeat(number, shares) {
    this.layouts[number].setHeat(shares);
    this.ask();
  }

  show(what) {
    const { left } = this.shown;
    Object.assign(this.shown, what);
    if (this.shown.left !== left) this.arrange();
    this.ask();
  }

  setCamera(told) {
    this.camera.set(told);
    this.ask();
  }

  /** Layouts side by side, over one another, on either side of a line, or the first by how far
   *  the second is from it. */
  arrange(how = this.arrangement) {
    this.arrangement = this.layouts.length > 1 ? how : "side";
    const all = this.layouts.map((_, number) => number);
    this.tiles = this.arrangement === "side" ? this.sideBySide(all)
      : this.arrangement === "split" ? splitTiles(this)
      : [{ box: [0, 0, this.width, this.height], layouts: all }];
    this.ask();
  }

  sideBySide(all) {
    const { width, height } = this, n = Math.max(all.length, 1);
    let best = 1, widest = 0;
    for (let columns = 1; columns <= n; columns++) {
      const least = Math.min(width / columns, height / Math.ceil(n / columns));
      if (least > widest * 1.05) [best, widest] = [columns, least];
    }
    const wide = width / best, high = height / Math.ceil(n / best);
    return all.map((number) => ({
      box: [(number % best) * wide, Math.floor(number / best) * high, wide, high], layouts: [number],
    }));
  }

  /** Stand where the posed creatures fill their tiles. */
  fit(fill) {
    const balls = this.layouts.flatMap((layout) => layout.facts.stations.map((_, number) =>
      ({ at: layout.seat(number), radius: layout.arrays.radii[number] })));
    if (this.shown.rest && this.layouts.length) balls.push(...restBalls(this.layouts[0]));
    const [, , wide, high] = this.tiles[0]?.box ?? [0, 0, 3, 2];
    this.camera.fit(balls, wide / high, fill);
    this.ask();
    this.on.camera?.(this.camera.told, true);
  }

  // -- drawing --

  ask() {
    if (this.wanted || this.closed) return;
    this.wanted = requestAnimationFrame(() => {
      this.wanted = 0;
      this.draw();
    });
  }

  resize() {
    const { clientWidth: wide, clientHeight: high } = this.host;
    this.density = Math.min(window.devicePixelRatio || 1, this.dense);
    if (!wide || !high) return;
    [this.width, this.height] = [wide, high];
    for (const canvas of [this.canvas, this.overlay.canvas]) {
      canvas.width = Math.round(wide * this.density);
      canvas.height = Math.round(high * this.density);
    }
    this.arrange();
    this.draw();
  }

  draw() {
    const { gl } = this;
    if (this.closed || gl.isContextLost() || !this.width) return;
    const begin = performance.now();
    if (this.shown.ground) for (const layout of this.layouts) this.drawShadow(layout);
    gl.enable(gl.SCISSOR_TEST);
    for (const tile of this.tiles) this.drawTile(tile);
    gl.disable(gl.SCISSOR_TEST);
    this.drawOverlay();
    this.scriptTime = performance.now() - begin;
    this.drawn = (this.drawn ?? 0) + 1;
  }

  drawShadow(layout) {
    if (!layout.numbers) return;
    const { upright, ground } = this.creature.facts, { gl } = this;
    const scene = {
      across: upright.slice(0, 3), sky: upright.slice(3, 6), ahead: upright.slice(6, 9), ground,
      fill: () => this.fillTile(),
    };
    layout.shadow.make(scene, () => this.drawFaces(layout));
    gl.bindVertexArray(null);
  }

  drawTile({ box, clip = box, layouts }) {
    const { gl, camera, shown, creature } = this, [, , wide, high] = box, dense = this.density;
    const onCard = ([x, y, w, h]) => [x, this.height - y - h, w, h].map((v) => Math.round(v * dense));
    const place = onCard(box);
    gl.viewport(...place);
    gl.scissor(...onCard(clip));
    gl.clearColor(...this.look.high, 1);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    const { right, up, towards, eye } = camera, { upright, ground } = creature.facts;
    const lens = this.lensOf(wide / high);
    this.scene = {
      right, up, towards, eye, lens, ground, across: upright.slice(0, 3), sky: upright.slice(3, 6),
      ahead: upright.slice(6, 9), size: [place[2] / 2, place[3] / 2], behind: 0, ...this.lamps(),
    };
    if (shown.ground && this.layouts[layouts[0]].numbers) {
      gl.disable(gl.DEPTH_TEST);
      gl.bindTexture(gl.TEXTURE_2D, this.layouts[layouts[0]].shadow.images[0]);
      const { high: pale, low } = this.look;
      this.programs.ground.use({ ...this.scene, shadow: 0, high: pale, low });
      this.fillTile();
      gl.enable(gl.DEPTH_TEST);
    }
    layouts.forEach((number, order) => this.drawLayout(this.layouts[number], order));
    if (shown.rest && !shown.guide) drawRest(this);
    gl.bindVertexArray(null);
  }

  lensOf(aspect) {
    const far = this.camera.distance + 4;
    return [TANGENT * aspect, TANGENT, Math.max(0.004, this.camera.distance - 1.6), far];
  }

  /** Lamps go with the camera, so that turning the camera is turning the creature. */
  lamps() {
    const { right, up, towards } = this.camera;
    const turned = this.look.lamps.flatMap(({ at: [x, y, z] }) =>
      [0, 1, 2].map((k) => x * right[k] + y * up[k] + z * towards[k]));
    return { lamps: turned, tones: this.look.lamps.flatMap(({ tone }) => tone) };
  }

  drawLayout(layout, order) {
    if (!layout.numbers) return;
    const { gl, shown, look } = this;
    const ghost = order > 0 && this.arrangement === "over";
    if (order > 0 && !ghost) return; // of a difference only the first is drawn
    if (shown.ribbon) this.drawRibbon(layout);
    if (ghost) this.drawGlass(layout, look.ghosts[(order - 1) % look.ghosts.length], [0.1, 0.92]);
    else if (shown.glass) this.drawGlass(layout, look.glass, [0.1, 0.62]);
    else this.drawSkin(layout, { front: look.clay, back: look.inside, opacity: [1, 1] });
    if (shown.edges && !ghost) this.drawEdges(layout);
    if (shown.ribbon && !shown.glass && !ghost) {
      gl.depthFunc(gl.GREATER); // what the skin hides, faintly
      this.drawRibbon(layout, 0.34);
      gl.depthFunc(gl.LESS);
    }
  }

  drawSkin(layout, { front, back, opacity }) {
    const { gl, shown, look } = this;
    const apart = this.arrangement === "difference";
    const heated = (apart || Boolean(shown.scale && (layout.shares || layout.tints))) && opacity[0] === 1;
    const surface = heated ? look.valueSurface : opacity[0] < 1 ? look.glassSurface : look.claySurface;
    gl.bindVertexArray(layout.body);
    if (apart) feed(gl, "other", this.layouts[1].skin, 3, { stride: 24 });
    gl.bindTexture(gl.TEXTURE_2D, this.scales[!apart && shown.scale?.diverging ? 1 : 0]);
    this.programs.body.use({
      ...this.scene, front, back, surface, opacity, heated, scale: 0,
      tinted: heated && !apart && Boolean(layout.tints),
      gap: apart ? 1 / this.apart() : 0, striped: shown.stripes ? 1 : 0,
    });
    this.drawFaces(layout);
  }

  drawFaces(layout) {
    const { gl } = this;
    gl.bindVertexArray(layout.body);
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, this.faces);
    gl.drawElements(gl.TRIANGLES, this.triangles.length, gl.UNSIGNED_INT, 0);
  }

  /** Clear where it faces the eye, darker at its outline; only the near side, so nothing is sorted. */
  drawGlass(layout, tone, opacity) {
    const { gl } = this;
    gl.enable(gl.CULL_FACE);
    gl.colorMask(false, false, false, false);
    this.drawSkin(layout, { front: tone, back: tone, opacity });
    gl.colorMask(true, true, true, true);
    gl.enable(gl.BLEND);
    gl.blendFunc(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA);
    gl.depthFunc(gl.LEQUAL);
    this.drawSkin(layout, { front: tone, back: tone, opacity });
    gl.depthFunc(gl.LESS);
    gl.disable(gl.BLEND);
    gl.disable(gl.CULL_FACE);
  }

  drawEdges(layout) {
    const { gl } = this;
    gl.enable(gl.BLEND);
    gl.blendFunc(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA);
    this.programs.flat.use({ ...this.scene, nearer: 4e-4, ink: [...this.look.inkTone, 0.26] });
    gl.bindVertexArray(layout.body);
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, this.edges);
    gl.drawElements(gl.LINES, this.creature.arrays.edges.length, gl.UNSIGNED_INT, 0);
    gl.disable(gl.BLEND);
  }

  drawRibbon(layout, opacity = 1) {
    const { gl, look, scene } = this;
    layout.sendRibbons();
    if (opacity < 1) {
      gl.enable(gl.BLEND);
      gl.blendFunc(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA);
      gl.depthMask(false);
    }
    const { ribbonFront: front, ribbonBack: back, ribbonSurface: surface } = look;
    const plain = { heated: false, tinted: false, gap: 0, striped: 0, opacity: [opacity, opacity] };
    this.programs.body.use({ ...scene, front, back, surface, ...plain });
    gl.bindVertexArray(layout.ribbon);
    gl.drawElements(gl.TRIANGLES, layout.faces.length, gl.UNSIGNED_SHORT, 0);
    const wide = 1.3 * this.density, ink = [...look.ribbonLines, opacity];
    this.programs.lines.use({ ...scene, wide, nearer: 5e-4, ink });
    gl.bindVertexArray(layout.lines);
    gl.drawArraysInstanced(gl.TRIANGLE_STRIP, 0, 4, layout.wires.length / 2);
    gl.depthMask(true);
    gl.disable(gl.BLEND);
  }

  fillTile() {
    this.gl.bindVertexArray(this.whole);
    this.gl.drawArrays(this.gl.TRIANGLE_STRIP, 0, 4);
  }

  /** The distance at the end of the scale of a difference: a round share of the creature's size. */
  apart() {
    const [one, other] = this.layouts;
    const stale = one.numbers !== this.apartOf || this.apartPoses !== one.numbers[0] + other.numbers[5];
    if (!stale) return this.farthest;
    [this.apartOf, this.apartPoses] = [one.numbers, one.numbers[0] + other.numbers[5]];
    const a = one.readBack(), b = other.readBack();
    let most = 1e-4;
    for (let i = 0; i < a.length; i += 6)
      most = Math.max(most, Math.hypot(a[i] - b[i], a[i + 1] - b[i + 1], a[i + 2] - b[i + 2]));
    const power = 10 ** Math.floor(Math.log10(most));
    return (this.farthest = power * [1, 2, 5, 10].find((step) => step * power >= most));
  }

  // -- dots and names --

  drawOverlay() {
    const { overlay } = this;
    overlay.begin(this.width, this.height, this.density);
    this.tiles.forEach((tile) => this.drawNames(tile));
    if (this.arrangement !== "split") return;
    const scale = this.scaleNow();
    if (scale) overlay.scale(scale, this.width, this.height);
    drawLine(this);
  }

  drawNames({ box, clip = box, layouts }) {
    const { overlay, shown, camera } = this, layout = this.layouts[layouts[0]];
    if (!layout?.numbers) return;
    if (shown.guide) {
      drawGuide(this, shown.guide, box);
      return;
    }
    const keep = [this.drawTitle(box, layouts)], at = [0, 0, 0];
    const inFront = (shown.front ?? layouts[0]) === layouts[0];
    overlay.within(clip);
    const scale = this.scaleNow();
    if (scale && layouts[0] === 0 && this.arrangement !== "split") keep.push(overlay.scale(scale, box[2], this.height));
    const entries = [], discs = [];
    const pixels = box[3] / 2 / TANGENT;
    if (inFront) drawPiece(this, layout, box);
    if (shown.controls && (inFront || this.arrangement !== "split")) this.collectControls(layout, layouts[0], box, entries);
    const besides = keep.concat(entries.map(({ x, y }) => [x - 8, y - 8, x + 8, y + 8]));
    layout.facts.stations.forEach((station, number) => {
      const [x, y, away] = camera.project(layout.seat(number), box, at);
      discs.push([x, y, (layout.arrays.radii[number] * pixels) / away]);
      if (!shown.stations) return;
      overlay.dot(x, y, [[4.8, this.look.ink], [3.6, this.look.station]]);
      if (station.ribbon === shown.named && discs.length > 1)
        this.numberStation(station.number, discs.at(-2), discs.at(-1), besides);
    });
    this.collectMarks(layouts, box, entries);
    for (const entry of entries) if (entry.rings) overlay.dot(entry.x, entry.y, entry.rings);
    const found = overlay.names(entries.filter(({ x, y }) => isIn(clip, x, y)), clip, discs, keep);
    for (const { x, y, rings } of entries) overlay.dot(x, y, rings);
    for (const [entry, place] of found) overlay.plate(entry.text, place, entry.strong);
    if (inFront) drawPlace(this, layout, box);
    overlay.within(null);
  }

  /** A station's number beside its dot, square to the body: on the side that is free. */
  numberStation(number, before, here, taken) {
    const along = Math.hypot(here[0] - before[0], here[1] - before[1]) || 1;
    const wide = this.overlay.width(String(number), SMALL_FONT);
    for (const out of [13, -13, 21, -21]) {
      const x = here[0] + (out * (here[1] - before[1])) / along;
      const y = here[1] - (out * (here[0] - before[0])) / along;
      const box = [x - wide / 2, y - 6, x + wide / 2, y + 6];
      if (taken.some((other) => overlap(box, other))) continue;
      taken.push(box);
      this.overlay.write(String(number), box[0], y, this.look.ink, SMALL_FONT, "#eef1f2e0");
      return;
    }
  }

  collectControls(layout, number, box, entries) {
    const { look, shown, camera } = this, at = [0, 0, 0];
    layout.facts.controls.forEach(({ name, ribbon }, i) => {
      const [x, y] = camera.project(layout.control(i), box, at);
      const strong = name === shown.chosen && (shown.front ?? number) === number;
      const named = ribbon === shown.named || strong;
      const key = `${number} ${name}`;
      const told = shown.few ? strong || key === this.pointed : named && box[2] > 260;
      const rings = strong ? RINGS.chosen(look) : named ? RINGS.control(look) : RINGS.other(look);
      entries.push({ x, y, text: told ? short(name) : "", strong, rings, key });
    });
    entries.sort((a, b) => Number(b.strong) - Number(a.strong));
  }

  collectMarks(layouts, box, entries) {
    this.marks.forEach((mark, index) => {
      if (!layouts.includes(mark.layout)) return;
      const at = this.layouts[mark.layout].readBack(mark.vertex, 1);
      const [x, y] = this.camera.project(at, box, [0, 0, 0]);
      const rings = RINGS.mark(this.look, mark.chosen);
      entries.unshift({ x, y, text: mark.text, strong: mark.chosen, rings, key: `mark ${index}` });
    });
  }

  drawTitle([left, top, wide], layouts) {
    if (this.layouts.length < 2 || this.arrangement === "split") return [0, 0, 0, 0];
    const { overlay } = this;
    let y = top + 10, end = left;
    for (const [order, number] of layouts.entries()) {
      const text = `${LETTERS[number]}  ${short(this.layouts[number].facts.name, 30)}`;
      const long = Math.min(overlay.width(text, NAME_FONT) + 14, wide - 20);
      const { front } = this.shown, dark = front === null ? order === 0 : number === front;
      overlay.plate(text, [left + 10, y, left + 10 + long, y + 21], dark);
      end = Math.max(end, left + 10 + long);
      y += 25;
    }
    return [left, top, end + 4, y];
  }

  scaleNow() {
    if (this.arrangement !== "difference") return this.shown.scale?.mixed ? null : this.shown.scale;
    if (this.layouts.some(({ numbers }) => !numbers)) return null;
    return { title: "apart, of the creature's size", low: 0, high: 100 * this.apart(), unit: " %" };
  }

  /** Names that are written now, with their boxes. */
  get labels() { return this.overlay.boxes; }

  // -- what is under the pointer --

  tileAt(x, y) {
    return this.tiles.find(({ box, clip = box }) => isIn(clip, x, y));
  }

  pick(x, y) {
    const tile = this.tileAt(x, y);
    if (!tile) return null;
    return this.dotAt(x, y, tile) ?? this.vertexAt(x, y, tile);
  }

  dotAt(x, y, { box, layouts }) {
    const number = layouts[0], layout = this.layouts[number], at = [0, 0, 0];
    let best = null, nearest = DOT_REACH;
    const look = (point, found) => {
      const [px, py] = this.camera.project(point, box, at), away = Math.hypot(px - x, py - y);
      if (away < nearest) [best, nearest] = [{ layout: number, ...found }, away];
    };
    if (this.shown.stations)
      layout.facts.stations.forEach((station, i) => look(layout.seat(i), { kind: "station", ...station }));
    if (this.shown.controls) {
      nearest = Math.max(nearest, DOT_REACH - 4); // where both stand, the control is meant
      if (this.arrangement !== "split" || number === this.shown.front) layout.facts.controls.forEach(({ name }, i) =>
        look(layout.control(i), { kind: "control", name, index: i }));
    }
    this.marks.forEach((mark, index) => {
      if (layouts.includes(mark.layout))
        look(this.layouts[mark.layout].readBack(mark.vertex, 1), { kind: "mark", index });
    });
    return best;
  }

  vertexAt(x, y, { box, layouts }) {
    const { gl } = this, [left, top, wide, high] = box, dense = this.density;
    const layout = this.layouts[layouts[0]];
    if (!layout.numbers) return null;
    const px = Math.round((x - left) * dense), py = Math.round((high - (y - top)) * dense);
    gl.bindFramebuffer(gl.FRAMEBUFFER, this.picker);
    gl.viewport(-px, -py, Math.round(wide * dense), Math.round(high * dense));
    gl.clearColor(0, 0, 0, 0);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    const { right, up, towards, eye } = this.camera, lens = this.lensOf(wide / high);
    const scene = { right, up, towards, eye, lens };
    this.programs.ids.use({ ...scene, dot: 1, nearer: 0 });
    this.drawFaces(layout);
    this.programs.ids.use({ ...scene, dot: 9 * dense, nearer: 1e-3 }); // a vertex that is near
    gl.drawArrays(gl.POINTS, 0, layout.vertices);
    gl.bindVertexArray(null);
    const out = new Uint8Array(4);
    gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, out);
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    const id = new DataView(out.buffer).getUint32(0, true);
    return id ? { kind: "vertex", vertex: id - 1, layout: layouts[0] } : null;
  }

  // -- mouse, touch, keys --

  listen() {
    this.pointers = new Map();
    this.heard = new AbortController();
    const { signal } = this.heard;
    const hear = (target, kinds) => {
      for (const [kind, answer] of Object.entries(kinds))
        target.addEventListener(kind, answer, { signal, passive: false });
    };
    hear(this.host, {
      pointerdown: (event) => this.press(event), pointermove: (event) => this.drag(event),
      pointerup: (event) => this.release(event), pointercancel: (event) => this.release(event),
      pointerleave: () => this.pointers.size || this.hover(-1, -1),
      wheel: (event) => this.roll(event), keydown: (event) => this.key(event),
      dblclick: () => this.shown.guide || this.fit(), contextmenu: (event) => event.preventDefault(),
    });
    hear(this.canvas, {
      webglcontextlost: (event) => { event.preventDefault(); this.on.lost?.(); },
      webglcontextrestored: () => { this.build(); this.draw(); },
    });
    this.watcher = new ResizeObserver(() => this.resize());
    this.watcher.observe(this.host);
  }

  place(event) {
    const frame = this.host.getBoundingClientRect();
    return [event.clientX - frame.left, event.clientY - frame.top];
  }

  press(event) {
    const [x, y] = this.place(event), tile = this.tileAt(x, y);
    this.host.setPointerCapture?.(event.pointerId);
    this.host.focus({ preventScroll: true });
    event.preventDefault();
    this.pointers.set(event.pointerId, [x, y]);
    if (this.pointers.size > 1) {
      this.held = { kind: "two" };
      return;
    }
    const moves = event.shiftKey || event.button > 0, from = [x, y];
    if (isOnLine(this, x)) {
      this.held = { kind: "line", from, still: true };
      return;
    }
    if (this.shown.guide) {
      const point = tile && !moves ? guideAt(this, x, y, tile.box) : null;
      this.held = { kind: point !== null ? "guide" : moves ? "move" : "turn", point, from, still: true };
      return;
    }
    const dot = tile && !this.shown.picks && this.dotAt(x, y, tile);
    const grabbed = dot?.kind === "control" && this.on.drag && event.button === 0;
    this.held = { kind: grabbed ? "control" : moves ? "move" : "turn", dot, from, still: true };
  }

  drag(event) {
    const [x, y] = this.place(event), last = this.pointers.get(event.pointerId);
    if (!last || !this.held) {
      this.hover(x, y);
      return;
    }
    if (this.held.kind === "two") {
      this.pinch(event.pointerId, [x, y]);
      return;
    }
    if (this.held.still && Math.hypot(x - this.held.from[0], y - this.held.from[1]) < HAND_SHAKES) return;
    this.held.still = false;
    this.pointers.set(event.pointerId, [x, y]);
    const right = x - last[0], down = y - last[1], high = this.tiles[0].box[3];
    if (this.held.kind === "line") {
      moveLine(this, x / this.width, false);
      return;
    }
    if (this.held.kind === "control") {
      this.dragControl(event, x, y, false);
      return;
    }
    if (this.held.kind === "guide") {
      this.tellDrawn("drag", event, x, y);
      return;
    }
    if (this.held.kind === "move") this.camera.move(right / high, -down / high);
    else this.camera.turn(DEGREES_A_PIXEL * right, -DEGREES_A_PIXEL * down);
    this.moved(false);
  }

  /** Tell where a guide is drawn, and how it is seen there. */
  tellDrawn(act, event, x, y) {
    const { from, point = null } = this.held, { box } = this.tileAt(...from) ?? this.tiles[0];
    this.on.draw?.({
      act, point, x: x - box[0], y: y - box[1], size: [box[2], box[3]], camera: this.camera.told,
      begins: !this.held.told, loop: event.altKey || event.ctrlKey || event.metaKey,
    });
    this.held.told = true;
  }

  /** Tell how far a dot was dragged since it was pressed, at its own depth, in stage units. */
  dragControl(event, x, y, done) {
    const { dot, from } = this.held, box = this.tileAt(...from).box;
    this.held.away ??= this.camera.project(this.layouts[dot.layout].control(dot.index), box, [0, 0, 0])[2];
    const unit = (2 * this.held.away * TANGENT) / box[3];
    const keys = { shift: event.shiftKey, alt: event.altKey, control: event.ctrlKey || event.metaKey };
    this.on.drag({
      control: dot.name, layout: dot.layout, right: unit * (x - from[0]), up: unit * (from[1] - y),
      axes: [this.camera.right, this.camera.up], keys, done,
    });
  }

  pinch(id, [x, y]) {
    const [other] = [...this.pointers].filter(([key]) => key !== id).map(([, place]) => place);
    const last = this.pointers.get(id), high = this.tiles[0].box[3];
    const before = Math.hypot(last[0] - other[0], last[1] - other[1]);
    const now = Math.hypot(x - other[0], y - other[1]);
    this.pointers.set(id, [x, y]);
    this.camera.move((x - last[0]) / 2 / high, (last[1] - y) / 2 / high);
    this.camera.nearer(clamp(now / Math.max(before, 1), 0.5, 2));
    this.moved(false);
  }

  release(event) {
    const [x, y] = this.place(event), held = this.held;
    this.pointers.delete(event.pointerId);
    if (!held || this.pointers.size) return;
    const clicked = held.still && event.type === "pointerup";
    if (held.kind === "line") {
      this.held = null;
      this.on.divider?.(this.divider, true);
      return;
    }
    if (this.shown.guide && clicked) this.tellDrawn("click", event, x, y);
    else if (held.kind === "guide") this.tellDrawn("drag", event, x, y);
    else if (held.kind === "control" && !held.still) this.dragControl(event, x, y, true);
    else if (!clicked) this.moved(true);
    else this.on.pick?.(this.shown.picks ? this.skinAt(x, y) : held.dot ?? this.pick(x, y), event);
    this.held = null;
  }

  skinAt(x, y) {
    const tile = this.tileAt(x, y);
    return tile ? this.vertexAt(x, y, tile) : null;
  }

  hover(x, y) {
    const tile = this.tileAt(x, y), { guide, picks } = this.shown;
    const over = tile && (guide ? guideAt(this, x, y, tile.box) !== null : !picks && this.dotAt(x, y, tile));
    const pointed = over?.kind === "control" ? `${over.layout} ${over.name}` : "";
    if (this.shown.few && pointed !== this.pointed) {
      this.pointed = pointed;
      this.ask();
    }
    if (this.on.hover) this.awaitRest(x, y);
    this.host.style.cursor = isOnLine(this, x) ? "ew-resize" : over ? "pointer" : guide || picks ? "crosshair" : "grab";
  }

  /** Tell what is under the pointer once it rests. */
  awaitRest(x, y) {
    clearTimeout(this.resting);
    this.resting = setTimeout(() => {
      const there = this.held || this.closed ? null : this.skinAt(x, y);
      const found = there?.layout === (this.shown.front ?? 0) ? there : null; // who answers knows one
      if (found?.vertex === this.restsOn) return;
      this.restsOn = found?.vertex;
      this.on.hover(found?.vertex ?? null);
    }, RESTS);
  }

  roll(event) {
    if (this.wheel === "focused" && !event.ctrlKey && document.activeElement !== this.host) return;
    event.preventDefault();
    this.camera.nearer(0.9985 ** clamp(event.deltaY * (event.ctrlKey ? 6 : 1), -400, 400));
    this.moved(false);
    clearTimeout(this.rested);
    this.rested = setTimeout(() => this.moved(true), 250);
  }

  key(event) {
    const ways = { ArrowLeft: [1, 0], ArrowRight: [-1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const way = ways[event.key], split = this.arrangement === "split";
    if (split && event.key === "Escape") this.on.end?.();
    else if (split && way?.[0] && event.ctrlKey) moveLine(this, this.divider - LINE_STEP * way[0], true);
    else if (way && event.shiftKey) this.camera.move(-0.05 * way[0], -0.05 * way[1]);
    else if (way) this.camera.turn(KEY_DEGREES * way[0], KEY_DEGREES * way[1]);
    else if (event.key === "+" || event.key === "=") this.camera.nearer(1.25);
    else if (event.key === "-") this.camera.nearer(0.8);
    else if (event.key === "Home") this.fit();
    else return;
    event.preventDefault();
    event.stopPropagation();
    this.moved(true);
  }

  moved(done) {
    this.ask();
    this.on.camera?.(this.camera.told, done);
  }

  // -- about itself --

  /** The name of what draws. */
  get renderer() { return nameOf(this.gl); }

  /** Milliseconds that a frame takes, until its pixels are there: the middle of a few. */
  measure(count = 3) {
    const { gl } = this, out = new Uint8Array(4);
    const times = Array.from({ length: count }, () => {
      const begin = performance.now();
      this.draw();
      gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, out); // waits; finish() does not
      return performance.now() - begin;
    });
    return times.sort((a, b) => a - b)[count >> 1];
  }

  /** The picture as it is now, as a canvas. */
  still() {
    this.draw();
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [this.canvas.width, this.canvas.height];
    const pen = canvas.getContext("2d");
    for (const part of [this.canvas, this.overlay.canvas]) pen.drawImage(part, 0, 0);
    return canvas;
  }

  /** Take the view off the page and give the card back what it holds. */
  close() {
    this.closed = true;
    cancelAnimationFrame(this.wanted);
    clearTimeout(this.rested);
    clearTimeout(this.resting);
    this.heard.abort();
    this.watcher.disconnect();
    this.gl.getExtension("WEBGL_lose_context")?.loseContext();
    this.canvas.remove();
    this.overlay.canvas.remove();
  }
}

const short = (name, most = 24) => (name.length > most ? `${name.slice(0, most - 1)}…` : name);

const RINGS = {
  control: (look) => [[8.6, look.paper], [7.2, look.ink], [5.8, look.control]],
  chosen: (look) => [[11, look.paper], [9.4, look.ink], [7.9, look.control], [3.1, look.ink]],
  other: (look) => [[5.4, look.paper], [4.3, look.ink], [3.1, look.control]],
  mark: (look, chosen) => [[9, look.paper], [7.6, look.spot], [chosen ? 3.4 : 0, look.paper]],
};
