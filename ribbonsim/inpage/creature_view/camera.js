// -- the camera -----------------------------------------------------------------------------------

/** A camera that goes round a point: degrees about up from the front, and above the horizon. */
export class Camera {
  constructor(upright) {
    Object.assign(this, { upright, azimuth: 50, elevation: 18, focus: [0, 0, 0], distance: 3 });
    this.find();
  }

  get told() {
    const { azimuth, elevation, focus, distance } = this;
    return { azimuth, elevation, focus: [...focus], distance };
  }

  set(told) {
    Object.assign(this, told);
    this.azimuth = ((this.azimuth % 360) + 360) % 360;
    this.elevation = clamp(this.elevation, -90, 90);
    this.distance = clamp(this.distance, 0.02, 50);
    this.find();
  }

  find() {
    const a = (this.azimuth * Math.PI) / 180, e = (this.elevation * Math.PI) / 180;
    const right = [Math.cos(a), 0, -Math.sin(a)];
    const towards = [Math.sin(a) * Math.cos(e), Math.sin(e), Math.cos(a) * Math.cos(e)];
    const stand = ([x, y, z]) =>
      [0, 1, 2].map((k) => x * this.upright[k] + y * this.upright[3 + k] + z * this.upright[6 + k]);
    [this.right, this.up, this.towards] = [right, cross3(towards, right), towards].map(stand);
    this.eye = this.towards.map((t, k) => this.focus[k] + this.distance * t);
  }

  turn(right, up) {
    const elevation = clamp(this.elevation - up, -89, 89);
    this.set({ azimuth: this.azimuth - right, elevation });
  }

  /** Shift the picture by shares of its height. */
  move(right, up) {
    const size = 2 * this.distance * TANGENT;
    const step = (k) => size * (right * this.right[k] + up * this.up[k]);
    this.set({ focus: this.focus.map((value, k) => value - step(k)) });
  }

  nearer(factor) { this.set({ distance: this.distance / factor }); }

  /** Where a point is in a picture, and how far off; written into an array. */
  project(point, [left, top, width, height], out) {
    const s = [point[0] - this.eye[0], point[1] - this.eye[1], point[2] - this.eye[2]];
    const away = Math.max(-dot3(s, this.towards), 1e-9);
    out[0] = left + width / 2 + (dot3(s, this.right) / (away * TANGENT)) * (height / 2);
    out[1] = top + height / 2 - (dot3(s, this.up) / (away * TANGENT)) * (height / 2);
    out[2] = away;
    return out;
  }

  /** Stand where balls fill the picture and none is cut. */
  fit(balls, aspect, fill = 0.84) {
    const flat = [this.right, this.up].map((axis, side) => {
      const reach = TANGENT * (side ? 1 : aspect) * fill;
      const more = Math.hypot(1, reach);
      let upper = -Infinity, lower = -Infinity;
      for (const { at, radius } of balls) {
        const x = dot3(at, axis), z = dot3(at, this.towards);
        upper = Math.max(upper, x + reach * z + more * radius);
        lower = Math.max(lower, -x + reach * z + more * radius);
      }
      return { upper, lower, away: (upper + lower) / (2 * reach) };
    });
    const away = Math.max(flat[0].away, flat[1].away, 1e-3);
    const middle = flat.map(({ upper, lower }) => 0.5 * (upper - lower));
    const depth = balls.reduce((sum, { at }) => sum + dot3(at, this.towards), 0) / balls.length;
    const focus = [0, 1, 2].map(
      (k) => middle[0] * this.right[k] + middle[1] * this.up[k] + depth * this.towards[k]);
    this.set({ focus, distance: away - depth });
  }
}

