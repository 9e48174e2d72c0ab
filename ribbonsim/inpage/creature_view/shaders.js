// -- the card -------------------------------------------------------------------------------------

const HEAD = `#version 300 es
precision highp float; precision highp int; precision highp sampler2D;
`;
const SEEN = `
uniform vec3 eye, right, up, towards; uniform vec4 lens;
vec4 seen(vec3 p) {
  vec3 s = p - eye;
  float away = -dot(s, towards), near = lens.z, far = lens.w;
  return vec4(dot(s, right) / lens.x, dot(s, up) / lens.y,
              ((far + near) * away - 2.0 * far * near) / (far - near), away);
}
`;

// What would go below the ground is flatter and wider, limbs are lifted: as Ground.settled does it.
// `lie` is the section of the body, the limb and how far out on it.
const LIES = `
uniform bool lies; uniform sampler2D pressed; uniform vec3 sky; uniform float ground;
vec4 cell(int i, int row) { return texelFetch(pressed, ivec2(i, row), 0); }
vec4 between(float at, int row, int first, int count) {
  int i = min(int(at), count - 2);
  return mix(cell(first + i, row), cell(first + i + 1, row), at - float(i));
}
vec3 settled(vec3 p) {
  int limb = int(lie.y);
  if (limb == 0) {
    vec4 side = between(lie.x, 0, 0, ${SECTIONS}), middle = between(lie.x, 1, 0, ${SECTIONS});
    float lost = clamp(side.w, 0.0, 1.0), drop = max(dot(middle.xyz - p, sky), 0.0);
    float wider = 1.0 / (1.0 - 0.5 * lost) - 1.0;
    p += wider * dot(p - middle.xyz, side.xyz) * side.xyz + lost * drop * sky;
  } else {
    float lifted = between(lie.z * ${LIMB_PARTS - 1}.0, limb + 1, 1, ${LIMB_PARTS}).x;
    p += cell(0, limb + 1).xyz + lifted * min(lie.z / 0.3, 1.0) * sky;
  }
  return p + max(ground - dot(p, sky), 0.0) * sky;
}`;

// Linear blending and dual quaternions as Rig.deform does them (Kavan et al. 2008).
const SKIN = `${HEAD}
in vec3 rest, restNormal, lie; in uvec2 run;
uniform sampler2D entries, joints; uniform bool dual;
${LIES}
out vec3 posed, turned;
vec3 turn(vec4 q, vec3 v) { return v + 2.0 * cross(q.yzw, cross(q.yzw, v) + q.x * v); }
void main() {
  vec4 x = vec4(0), y = vec4(0), z = vec4(0), real = vec4(0), moved = vec4(0);
  vec3 nx = vec3(0), ny = vec3(0), nz = vec3(0);
  for (uint i = run.x; i < run.x + run.y; i++) {
    vec2 entry = texelFetch(entries, ivec2(i % ${ENTRY_ROW}u, i / ${ENTRY_ROW}u), 0).xy;
    int j = int(entry.x);
    float w = entry.y;
    x += w * texelFetch(joints, ivec2(0, j), 0);
    y += w * texelFetch(joints, ivec2(1, j), 0);
    z += w * texelFetch(joints, ivec2(2, j), 0);
    nx += w * texelFetch(joints, ivec2(3, j), 0).xyz;
    ny += w * texelFetch(joints, ivec2(4, j), 0).xyz;
    nz += w * texelFetch(joints, ivec2(5, j), 0).xyz;
    if (dual) {
      real += w * texelFetch(joints, ivec2(6, j), 0);
      moved += w * texelFetch(joints, ivec2(7, j), 0);
    }
  }
  vec4 p = vec4(rest, 1);
  posed = vec3(dot(x, p), dot(y, p), dot(z, p));
  turned = vec3(dot(nx, restNormal), dot(ny, restNormal), dot(nz, restNormal));
  if (dual) {
    float size = length(real);
    real /= size; moved /= size;
    vec3 shift = real.x * moved.yzw - moved.x * real.yzw + cross(real.yzw, moved.yzw);
    posed = turn(real, posed) + 2.0 * shift;
    turned = turn(real, turned);
  }
  turned /= max(length(turned), 1e-30);
  if (lies) posed = settled(posed);
}`;
const NOTHING = `${HEAD} out vec4 colour; void main() { colour = vec4(0); }`;

const BODY = `${HEAD}${SEEN}
in vec3 position, normal, other, tint; in float shade, share;
uniform float gap, striped, behind;
out vec3 at, facing, hue; out float tone, heat;
void main() {
  at = position; facing = normal; hue = tint;
  tone = mix(1.0, shade, striped);
  heat = gap > 0.0 ? gap * distance(position, other) : share;
  gl_Position = seen(position + behind * normalize(position - eye));
}`;

// Four lamps that go with the camera, as in the studio's pictures, and a little sky from above.
const LIT = `${HEAD}
uniform vec3 eye, sky, front, back, lamps[4], tones[4];
uniform vec4 surface; // ambient, diffuse, specular, its power
uniform vec2 opacity; // where it faces the eye, and at its outline
uniform bool heated, tinted; uniform sampler2D scale;
in vec3 at, facing, hue; in float tone, heat;
out vec4 colour;
void main() {
  vec3 toEye = normalize(eye - at), n = normalize(facing);
  // at an outline a triangle may look away whose normals do not: that is no inside
  bool within = !gl_FrontFacing && dot(n, toEye) < -0.3;
  if (within) n = -n;
  vec3 base = within ? back : front;
  if (heated) base = texture(scale, vec2(clamp(heat, 0.0, 1.0) * 255.0 / 256.0 + 0.5 / 256.0, 0.5)).rgb;
  if (tinted) base = hue;
  vec3 light = vec3(surface.x * (1.0 + 0.35 * dot(n, sky))), gloss = vec3(0);
  float away = dot(n, toEye);
  for (int i = 0; i < 4; i++) {
    float lit = dot(n, lamps[i]);
    light += surface.y * max(lit, 0.0) * tones[i];
    float mirrored = 2.0 * lit * away - dot(toEye, lamps[i]);
    if (lit > 0.0) gloss += surface.z * pow(max(mirrored, 0.0), surface.w) * tones[i];
  }
  float edge = pow(1.0 - clamp(abs(away), 0.0, 1.0), 2.2);
  colour = vec4(base * light * tone + gloss, mix(opacity.x, opacity.y, edge));
}`;

const FLAT = `${HEAD}${SEEN}
in vec3 position; uniform float nearer;
void main() { gl_Position = seen(position); gl_Position.z -= nearer * gl_Position.w; }`;
const PLAIN = `${HEAD} uniform vec4 ink; out vec4 colour; void main() { colour = ink; }`;

// Lines of any width: each piece is a strip of two triangles, in pixels.
const LINES = `${HEAD}${SEEN}
in vec2 corner; in vec3 start, end; uniform vec2 size; uniform float wide, nearer;
void main() {
  vec4 a = seen(start), b = seen(end), here = corner.x < 0.5 ? a : b;
  vec2 along = (b.xy / b.w - a.xy / a.w) * size;
  along = length(along) < 1e-6 ? vec2(1, 0) : normalize(along);
  here.xy += corner.y * wide * vec2(-along.y, along.x) / size * here.w;
  here.z -= nearer * here.w;
  gl_Position = here;
}`;

const IDS = `${HEAD}${SEEN}
in vec3 position; uniform float dot, nearer; flat out uint id;
void main() {
  id = uint(gl_VertexID) + 1u;
  gl_Position = seen(position); gl_Position.z -= nearer * gl_Position.w; gl_PointSize = dot;
}`;
const AS_COLOUR = `${HEAD}
flat in uint id; out vec4 colour;
void main() { colour = vec4(uvec4(id, id >> 8u, id >> 16u, id >> 24u) & 255u) / 255.0; }`;

// The ground: seen from above, how near the skin is to it; then blurred.
const ABOVE = `${HEAD}
in vec3 position; uniform vec3 across, sky, ahead; uniform float ground; out float height;
void main() {
  height = dot(position, sky) - ground;
  gl_Position = vec4(dot(position, across), dot(position, ahead), 0, ${SHADOW_REACH}) ;
}`;
const NEARNESS = `${HEAD}
in float height; out vec4 colour;
void main() { colour = vec4(exp(-${SHADOW_FADE} * max(height, 0.0))); }`;
const WHOLE = `${HEAD}
in vec2 corner; out vec2 place;
void main() { place = corner; gl_Position = vec4(corner, 0, 1); }`;
const BLUR = `${HEAD}
in vec2 place; uniform sampler2D image; uniform vec2 step; out vec4 colour;
void main() {
  vec2 middle = 0.5 * place + 0.5;
  float sum = 0.0, all = 0.0;
  for (int i = -8; i <= 8; i++) {
    float w = exp(-0.03 * float(i * i));
    sum += w * texture(image, middle + float(i) * step).r; all += w;
  }
  colour = vec4(sum / all);
}`;
const GROUND = `${HEAD}
in vec2 place; uniform vec3 eye, right, up, towards, across, sky, ahead, high, low;
uniform vec4 lens; uniform float ground; uniform sampler2D shadow; out vec4 colour;
void main() {
  vec3 ray = right * place.x * lens.x + up * place.y * lens.y - towards;
  vec3 tone = mix(low, high, smoothstep(-1.1, 1.0, place.y));
  float falls = -dot(ray, sky), over = dot(eye, sky) - ground;
  if (over > 0.0 && falls > 1e-4) {
    vec3 there = eye + ray * over / falls;
    vec2 spot = vec2(dot(there, across), dot(there, ahead));
    float near = exp(-1.3 * dot(spot, spot)), flat_ = smoothstep(0.0, 0.10, falls);
    tone = mix(tone, high * 1.035, 0.55 * near * flat_);
    vec2 at = 0.5 * spot / ${SHADOW_REACH} + 0.5;
    float dark = texture(shadow, at).r * flat_;
    tone *= mix(vec3(1), vec3(0.60, 0.645, 0.69), dark);
  }
  float grain = fract(sin(dot(gl_FragCoord.xy, vec2(12.9898, 78.233))) * 43758.5453);
  colour = vec4(tone + (grain - 0.5) / 255.0, 1); // without it so soft a slope shows bands
}`;

