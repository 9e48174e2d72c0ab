class Program {
  constructor(gl, vertex, fragment, feedback = null) {
    this.gl = gl;
    const program = (this.program = gl.createProgram());
    const sources = [[gl.VERTEX_SHADER, vertex], [gl.FRAGMENT_SHADER, fragment]];
    for (const [kind, source] of sources) {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, source);
      gl.compileShader(shader);
      gl.attachShader(program, shader);
    }
    // the same name has the same place in all programs, so that they share arrays
    ATTRIBUTES.forEach((name, place) => gl.bindAttribLocation(program, place, name));
    if (feedback) gl.transformFeedbackVaryings(program, feedback, gl.INTERLEAVED_ATTRIBS);
    gl.linkProgram(program);
    if (!gl.getProgramParameter(program, gl.LINK_STATUS) && !gl.isContextLost())
      throw new Error(gl.getAttachedShaders(program).map((s) => gl.getShaderInfoLog(s)).join("\n"));
    this.places = {};
    const count = gl.getProgramParameter(program, gl.ACTIVE_UNIFORMS) ?? 0;
    for (let i = 0; i < count; i++) {
      const { name, type } = gl.getActiveUniform(program, i);
      const place = gl.getUniformLocation(program, name);
      this.places[name.replace("[0]", "")] = [UNIFORMS(gl)[type], place];
    }
  }

  use(values) {
    this.gl.useProgram(this.program);
    for (const name in values) {
      const held = this.places[name];
      if (held) this.gl[held[0]](held[1], values[name]);
    }
    return this;
  }
}

const ATTRIBUTES = ["position", "normal", "shade", "share", "other", "corner", "start", "end",
  "rest", "restNormal", "run", "lie", "tint"];
const PLACE = Object.fromEntries(ATTRIBUTES.map((name, place) => [name, place]));
const UNIFORMS = (gl) => ({
  [gl.FLOAT]: "uniform1f", [gl.FLOAT_VEC2]: "uniform2fv", [gl.FLOAT_VEC3]: "uniform3fv",
  [gl.FLOAT_VEC4]: "uniform4fv", [gl.BOOL]: "uniform1i", [gl.SAMPLER_2D]: "uniform1i",
});

function makeBuffer(gl, target, content, usage) {
  const buffer = gl.createBuffer();
  gl.bindBuffer(target, buffer);
  gl.bufferData(target, content, usage ?? gl.STATIC_DRAW);
  return buffer;
}

function makeTexture(gl, [inside, format, type], width, height, pixels, smooth = false) {
  const texture = gl.createTexture();
  gl.bindTexture(gl.TEXTURE_2D, texture);
  gl.texImage2D(gl.TEXTURE_2D, 0, inside, width, height, 0, format, type, pixels);
  const filter = smooth ? gl.LINEAR : gl.NEAREST;
  for (const side of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER])
    gl.texParameteri(gl.TEXTURE_2D, side, filter);
  for (const side of [gl.TEXTURE_WRAP_S, gl.TEXTURE_WRAP_T])
    gl.texParameteri(gl.TEXTURE_2D, side, gl.CLAMP_TO_EDGE);
  return texture;
}

function feed(gl, name, buffer, size, { type, stride = 0, at = 0, whole = false, each = 0 } = {}) {
  gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
  gl.enableVertexAttribArray(PLACE[name]);
  if (whole) gl.vertexAttribIPointer(PLACE[name], size, type, stride, at);
  else gl.vertexAttribPointer(PLACE[name], size, type ?? gl.FLOAT, type !== undefined, stride, at);
  gl.vertexAttribDivisor(PLACE[name], each);
}

