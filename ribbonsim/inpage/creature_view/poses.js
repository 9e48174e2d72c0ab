// -- poses ----------------------------------------------------------------------------------------

/** A pose that was sent at even steps of its amount, at any amount between them. */
export class Steps {
  constructor({ arrays, facts }) {
    Object.assign(this, facts);
    this.parts = [arrays.turns, arrays.moves, arrays.sizes, arrays.points];
    this.ground = arrays.pressed ?? null;
    this.pressed = this.ground && new Float32Array(this.ground.length / facts.count);
    this.joints = arrays.turns.length / facts.count / 4;
    this.numbers = new Float32Array(this.joints * JOINT_NUMBERS + arrays.points.length / facts.count);
  }

  /** The pose's numbers; the array is written over by the next call, as is `pressed`, which says
   *  what the ground does in that pose. */
  at(amount) {
    const share = (amount - this.low) / (this.high - this.low || 1);
    const place = Math.min(Math.max(share, 0), 1) * (this.count - 1);
    const step = Math.min(Math.floor(place), this.count - 2);
    const { steps, weights } = cubicBetween(step, place - step, this.count);
    const [turns, moves, sizes, points] = this.parts, n = this.joints, out = this.numbers;
    for (let j = 0; j < n; j++) {
      const at = j * JOINT_NUMBERS;
      blend(turns, 4 * n, 4 * j, 4, steps, weights, out, at);
      blend(moves, 4 * n, 4 * j, 4, steps, weights, out, at + 4);
      blend(sizes, 2 * n, 2 * j, 2, steps, weights, out, at + 8);
      const size = Math.hypot(out[at], out[at + 1], out[at + 2], out[at + 3]);
      for (let k = at; k < at + 8; k++) out[k] /= size;
    }
    const rest = points.length / this.count;
    blend(points, rest, 0, rest, steps, weights, out, n * JOINT_NUMBERS);
    if (this.ground) blend(this.ground, this.pressed.length, 0, this.pressed.length, steps, weights, this.pressed, 0);
    return out;
  }
}

/** Steps and weights of a cubic through four of them; at the ends through what goes on evenly. */
function cubicBetween(step, u, count) {
  if (count < 3) return { steps: [step, step + 1], weights: [1 - u, u] };
  const before = -0.5 * u * (1 - u) ** 2, after = -0.5 * u * u * (1 - u);
  const here = 1 - 2.5 * u * u + 1.5 * u ** 3, there = 0.5 * u + 2 * u * u - 1.5 * u ** 3;
  if (step === 0)
    return {
      steps: [0, 1, 2],
      weights: [here + 3 * before, there - 3 * before, after + before],
    };
  if (step === count - 2)
    return {
      steps: [step - 1, step, step + 1],
      weights: [before + after, here - 3 * after, there + 3 * after],
    };
  return { steps: [step - 1, step, step + 1, step + 2], weights: [before, here, there, after] };
}

function blend(table, stride, column, width, steps, weights, out, at) {
  for (let k = 0; k < width; k++) {
    let sum = 0;
    for (let s = 0; s < steps.length; s++) sum += weights[s] * table[steps[s] * stride + column + k];
    out[at + k] = sum;
  }
}

/** What each joint does to the skin: for linear blending its whole transform, for dual
 *  quaternions stretch and girth at rest and then its motion; and what turns normals. */
class Joints {
  constructor({ origins, alongs, parents }) {
    Object.assign(this, { origins, alongs, parents, count: parents.length });
    this.texels = new Float32Array(this.count * JOINT_TEXELS * 4);
  }

  take(numbers, dual) {
    for (let j = 0; j < this.count; j++) {
      const q = this.motion(numbers, j), t = this.texels, at = j * JOINT_TEXELS * 4;
      const stretch = numbers[j * JOINT_NUMBERS + 8], girth = numbers[j * JOINT_NUMBERS + 9];
      const axis = this.alongs.subarray(3 * j, 3 * j + 3);
      const origin = this.origins.subarray(3 * j, 3 * j + 3);
      const turn = dual ? UNTURNED : rotation(q);
      const moved = dual ? STILL : translation(q);
      const onAxis = dot3(axis, origin) * (stretch - girth);
      for (let r = 0; r < 3; r++) {
        const row = turn.subarray(3 * r, 3 * r + 3), along = dot3(row, axis);
        let shift = moved[r];
        for (let k = 0; k < 3; k++) {
          t[at + 4 * r + k] = girth * row[k] + (stretch - girth) * along * axis[k];
          t[at + 12 + 4 * r + k] = row[k] / girth + (1 / stretch - 1 / girth) * along * axis[k];
          shift += row[k] * (origin[k] * (1 - girth) - onAxis * axis[k]);
        }
        t[at + 4 * r + 3] = shift;
      }
      t.set(q, at + 24);
    }
    return this.texels;
  }

  /** A joint's dual quaternion, with the sign that agrees with its parent's. */
  motion(numbers, j) {
    const q = numbers.subarray(j * JOINT_NUMBERS, j * JOINT_NUMBERS + 8);
    const parent = this.parents[j];
    if (parent === j) return q;
    const above = this.texels.subarray(parent * JOINT_TEXELS * 4 + 24);
    let agree = 0;
    for (let k = 0; k < 4; k++) agree += q[k] * above[k];
    return agree < 0 ? q.map((value) => -value) : q;
  }
}

const UNTURNED = Float64Array.of(1, 0, 0, 0, 1, 0, 0, 0, 1), STILL = [0, 0, 0];
const TURN = new Float64Array(9);

function rotation([w, x, y, z]) {
  TURN.set([1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)], 0);
  TURN.set([2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)], 3);
  TURN.set([2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)], 6);
  return TURN;
}

function translation([w, x, y, z, a, b, c, d]) {
  return [
    2 * (w * b - a * x + y * d - z * c),
    2 * (w * c - a * y + z * b - x * d),
    2 * (w * d - a * z + x * c - y * b),
  ];
}

// -- what draws -----------------------------------------------------------------------------------

/** The name of what would draw here; empty where nothing does. */
export function rendererName() {
  const gl = document.createElement("canvas").getContext("webgl2");
  if (!gl) return "";
  const name = nameOf(gl);
  gl.getExtension("WEBGL_lose_context")?.loseContext(); // a browser keeps few of them
  return name;
}

function nameOf(gl) {
  const told = gl.getExtension("WEBGL_debug_renderer_info");
  return String(gl.getParameter(told ? told.UNMASKED_RENDERER_WEBGL : gl.RENDERER)) || "unnamed";
}

/** Whether a renderer is a program on the processor and no graphics card. */
export const isSoftware = (name) =>
  /swiftshader|llvmpipe|softpipe|software|basic render|\bcpu\b/i.test(name);

// -- small mathematics ----------------------------------------------------------------------------

const dot3 = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
const cross3 = (a, b) => [
  a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0],
];
const clamp = (value, low, high) => Math.min(Math.max(value, low), high);

