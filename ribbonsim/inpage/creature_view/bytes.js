// A creature, skinned and drawn by the graphics card through plain WebGL2.
//
// unpack       arrays and facts out of bytes
// Steps        a pose at any amount, between poses that were sent
// Joints       what each joint does to the skin, from a pose's numbers
// Layout       one layout on the card: weights, posed skin, ribbons, seats of the controls
// Camera       where it is seen from
// Overlay      dots, names and the scale of colours, that never cover one another
// drawGuide    and others: what is drawn into the picture by hand, or marked in it
// CreatureView all of it on one canvas, with mouse, touch and keys
//
// Lengths are in stage units: the creature is of size 1 and its centre stands at the origin.

const VIEW_ANGLE = 26, JOINT_NUMBERS = 10, JOINT_TEXELS = 8, ENTRY_ROW = 2048;
const SECTIONS = 65, LIMB_PARTS = 12; // of what lies on the ground
const TANGENT = Math.tan((VIEW_ANGLE * Math.PI) / 360);
const DEGREES_A_PIXEL = 0.4, KEY_DEGREES = 15, HAND_SHAKES = 3, DOT_REACH = 14, RESTS = 120;
const SHADOW_SIDE = 256, SHADOW_REACH = 1.3, SHADOW_FADE = 2.6;
const MOST_DENSE = 2; // pixels of the card for each of the page, at most

// -- bytes ----------------------------------------------------------------------------------------

/** Arrays and facts of packed blocks, given as bytes. */
export function unpack(data) {
  const bytes = new Uint8Array(data.buffer ?? data, data.byteOffset ?? 0, data.byteLength);
  const headLength = new DataView(bytes.buffer, bytes.byteOffset).getUint32(0, true);
  const head = JSON.parse(new TextDecoder().decode(bytes.subarray(4, 4 + headLength)));
  const body = bytes.slice(4 + headLength).buffer;
  const arrays = {};
  for (const [name, entry] of Object.entries(head.arrays)) arrays[name] = readArray(body, entry);
  return { arrays, facts: head.facts };
}

function readArray(body, entry) {
  const count = entry.shape.reduce((product, side) => product * side, 1);
  const kinds = { f4: Float32Array, u4: Uint32Array, u2: Uint16Array, u1: Uint8Array };
  if (entry.kind !== "s16") return new kinds[entry.kind](body, entry.at, count);
  const low = new Uint8Array(body, entry.at, count);
  const high = new Uint8Array(body, entry.at + count, count);
  const values = new Float32Array(count), held = new Uint16Array(entry.stride);
  for (let i = 0, k = 0; i < count; i++, k = k + 1 === entry.stride ? 0 : k + 1) {
    held[k] += low[i] + 256 * high[i];
    values[i] = entry.low + entry.step * held[k];
  }
  return values;
}

/** Triangles of a creature; quads are cut as they were in the file that was read. */
function trianglesOf({ triangles, quads, turned }) {
  if (triangles) return Uint32Array.from(triangles);
  const cut = new Uint32Array(turned.length * 6);
  turned.forEach((second, i) => {
    const [a, b, c, d] = quads.subarray(4 * i, 4 * i + 4);
    cut.set(second ? [a, b, d, b, c, d] : [a, b, c, a, c, d], 6 * i);
  });
  return cut;
}

