// -- what is written over the picture -------------------------------------------------------------

const STEPS_OUT = [17, 30, 46, 66, 92, 124], TURNS = 16;

/** Dots, names and the scale of colours; a name keeps its place until something else needs it. */
class Overlay {
  constructor(canvas, look) {
    Object.assign(this, { canvas, look, pen: canvas.getContext("2d") });
    this.held = new Map(); // place last taken, by name
    this.widths = new Map();
    this.boxes = []; // of all names now, for whoever checks
    this.taken = [];
  }

  begin(width, height, dense) {
    this.pen.setTransform(dense, 0, 0, dense, 0, 0);
    this.pen.clearRect(0, 0, width, height);
    this.boxes.length = 0;
  }

  /** Keep what is drawn from now on within a box; null ends it. */
  within(box) {
    if (!box) {
      this.pen.restore();
      return;
    }
    this.pen.save();
    this.pen.beginPath();
    this.pen.rect(...box);
    this.pen.clip();
  }

  dot(x, y, rings) {
    for (const [radius, tone] of rings) {
      this.pen.fillStyle = tone;
      this.pen.beginPath();
      this.pen.arc(x, y, radius, 0, 2 * Math.PI);
      this.pen.fill();
    }
  }

  /** A line through points, stroke upon stroke. */
  line(points, strokes) {
    const { pen } = this;
    if (points.length < 2) return;
    Object.assign(pen, { lineCap: "round", lineJoin: "round" });
    for (const [wide, tone] of strokes) {
      Object.assign(pen, { strokeStyle: tone, lineWidth: wide });
      pen.beginPath();
      points.forEach(([x, y], i) => (i ? pen.lineTo(x, y) : pen.moveTo(x, y)));
      pen.stroke();
    }
  }

  width(text, font) {
    const key = `${font}|${text}`;
    if (!this.widths.has(key)) {
      this.pen.font = font;
      this.widths.set(key, this.pen.measureText(text).width);
    }
    return this.widths.get(key);
  }

  /** Names beside their dots, off the body where there is room; one without room is left out. */
  names(entries, frame, discs, keep) {
    this.taken = entries.map(({ x, y }) => [x - 9, y - 9, x + 9, y + 9]).concat(keep);
    const found = [];
    for (const entry of entries) {
      if (!entry.text) continue;
      const size = [this.width(entry.text, NAME_FONT) + 14, 21];
      const box = this.room(entry, size, frame, discs, entry.key);
      if (!box) continue;
      this.taken.push(box);
      found.push([entry, box]);
      this.boxes.push({ text: entry.text, box });
    }
    for (const [entry, box] of found) this.leader(entry, box);
    return found;
  }

  room(entry, [wide, high], frame, discs, key) {
    const last = this.held.get(key);
    let best = null, lowest = Infinity, chosen = -1;
    for (let place = 0; place < STEPS_OUT.length * TURNS; place++) {
      const out = STEPS_OUT[Math.floor(place / TURNS)];
      let cost = out - (place === last ? 14 : 0);
      if (cost >= lowest) continue;
      const angle = (2 * Math.PI * (place % TURNS)) / TURNS;
      const c = Math.cos(angle), s = Math.sin(angle);
      const reach = out + Math.min(wide / 2 / Math.abs(c || 1e-9), high / 2 / Math.abs(s || 1e-9));
      const x = entry.x + c * reach, y = entry.y + s * reach;
      const box = [x - wide / 2, y - high / 2, x + wide / 2, y + high / 2];
      if (!inside(box, frame) || this.taken.some((other) => overlap(box, other))) continue;
      for (const disc of discs)
        if (Math.hypot(x - disc[0], y - disc[1]) < disc[2] + 8) {
          cost += 60;
          break;
        }
      if (cost < lowest) [best, lowest, chosen] = [box, cost, place];
    }
    if (best) this.held.set(key, chosen);
    return best;
  }

  leader({ x, y }, box) {
    const end = [clamp(x, box[0], box[2]), clamp(y, box[1], box[3])];
    for (const [wide, tone] of [[3.4, "#ffffffb0"], [1.3, this.look.ink]]) {
      this.pen.strokeStyle = tone;
      this.pen.lineWidth = wide;
      this.pen.beginPath();
      this.pen.moveTo(x, y);
      this.pen.lineTo(...end);
      this.pen.stroke();
    }
  }

  plate(text, box, dark, font = NAME_FONT) {
    const { pen, look } = this;
    pen.beginPath();
    pen.roundRect(box[0], box[1], box[2] - box[0], box[3] - box[1], 6);
    pen.fillStyle = dark ? look.ink : "#fffffff0";
    pen.fill();
    pen.lineWidth = 1;
    pen.strokeStyle = look.ink;
    pen.stroke();
    this.write(text, box[0] + 7, (box[1] + box[3]) / 2 + 0.5, dark ? look.paper : look.ink, font);
  }

  write(text, x, y, tone, font, halo = null) {
    const { pen } = this;
    Object.assign(pen, { font, textBaseline: "middle", textAlign: "left" });
    if (halo) {
      Object.assign(pen, { strokeStyle: halo, lineWidth: 3, lineJoin: "round" });
      pen.strokeText(text, x, y);
    }
    pen.fillStyle = tone;
    pen.fillText(text, x, y);
  }

  /** The scale of the heat colours; the box it takes. */
  scale({ title, low, high, unit = "", marks, diverging }, width, height) {
    const wide = Math.min(240, width - 40), left = 18, bottom = height - 34, { pen, look } = this;
    const slope = pen.createLinearGradient(left, 0, left + wide, 0);
    const table = diverging ? look.diverging : look.sequential;
    for (let i = 0; i <= 16; i++) {
      const at = 3 * Math.round((255 * i) / 16);
      slope.addColorStop(i / 16, `rgb(${table[at]} ${table[at + 1]} ${table[at + 2]})`);
    }
    pen.fillStyle = slope;
    pen.beginPath();
    pen.roundRect(left, bottom - 11, wide, 11, 2);
    pen.fill();
    this.write(title, left, bottom - 22, look.ink, NAME_FONT, "#e6eaecb0");
    const ticks = marks ?? [low, 0.5 * (low + high), high];
    for (const value of ticks) {
      const text = `${+value.toPrecision(3)}${unit}`, x = left + (wide * (value - low)) / (high - low);
      pen.fillStyle = look.ink;
      pen.fillRect(x - 0.6, bottom, 1.2, 4);
      const half = this.width(text, SMALL_FONT) / 2;
      this.write(text, clamp(x - half, left, left + wide - 2 * half), bottom + 12, look.ink,
        SMALL_FONT, "#dfe4e6b0");
    }
    return [left - 8, bottom - 34, left + wide + 8, height];
  }
}

const SANS = 'ui-sans-serif, system-ui, -apple-system, "Segoe UI", "Noto Sans", sans-serif';
const NAME_FONT = `600 12.5px ${SANS}`, SMALL_FONT = `11px ${SANS}`;
const overlap = (a, b) => a[0] < b[2] + 3 && b[0] < a[2] + 3 && a[1] < b[3] + 3 && b[1] < a[3] + 3;
const isIn = ([left, top, width, height], x, y) =>
  x >= left && x < left + width && y >= top && y < top + height;
const inside = (box, [left, top, width, height]) =>
  box[0] >= left + 6 && box[1] >= top + 6 && box[2] <= left + width - 6 &&
  box[3] <= top + height - 6;

