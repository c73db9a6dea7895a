/* The site as solids, with the sun of a day and hour and its shadows. WebGL 2, nothing else; drawn when asked.
   Metres east, north and up; angles in radians inside. Texts come from the page's data and go through textContent. */
function solidView(holder, data) {
  "use strict";
  const words = data.words;
  const SIZE = 2048; // of the shadow map
  const rad = Math.PI / 180;

  function make(tag, className, text) {
    const element = document.createElement(tag);
    if (className) element.className = className;
    if (text !== undefined) element.textContent = text;
    return element;
  }

  const sky = sunOver(data), heightAt = groundOf(data), sunAt = sky.at, monthOf = sky.monthOf;

  /* --- vectors and matrices (columns first) --- */

  function minus(a, b) { return [a[0] - b[0], a[1] - b[1], a[2] - b[2]]; }
  function cross(a, b) { return [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]; }
  function dot(a, b) { return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]; }
  function unit(a) { const l = Math.hypot(a[0], a[1], a[2]) || 1; return [a[0] / l, a[1] / l, a[2] / l]; }
  function times(a, b) {
    const out = new Float32Array(16);
    for (let c = 0; c < 4; c++) for (let r = 0; r < 4; r++) {
      let sum = 0;
      for (let k = 0; k < 4; k++) sum += a[k * 4 + r] * b[c * 4 + k];
      out[c * 4 + r] = sum;
    }
    return out;
  }
  function look(eye, at, up) {
    const z = unit(minus(eye, at)), x = unit(cross(up, z)), y = cross(z, x);
    return new Float32Array([x[0], y[0], z[0], 0, x[1], y[1], z[1], 0, x[2], y[2], z[2], 0, -dot(x, eye), -dot(y, eye), -dot(z, eye), 1]);
  }
  function lens(angle, wide, near, far) {
    const f = 1 / Math.tan(angle / 2);
    return new Float32Array([f / wide, 0, 0, 0, 0, f, 0, 0, 0, 0, (far + near) / (near - far), -1, 0, 0, 2 * far * near / (near - far), 0]);
  }
  function box(half, near, far) {
    return new Float32Array([1 / half, 0, 0, 0, 0, 1 / half, 0, 0, 0, 0, 2 / (near - far), 0, 0, 0, (far + near) / (near - far), 1]);
  }

  /* --- triangles: position, normal, colour, and whose leaves they are (0 none, 1 deciduous, 2 evergreen) --- */

  const spots = [], normals = [], colours = [], leaves = [];
  function rgb(text) { return [1, 3, 5].map(function (i) { return parseInt(text.slice(i, i + 2), 16); }); }
  const ink = {};
  Object.keys(data.colours).forEach(function (name) { ink[name] = rgb(data.colours[name]); });

  function triangle(a, b, c, colour, leaf, given) {
    const n = given || [unit(cross(minus(b, a), minus(c, a)))];
    [a, b, c].forEach(function (p, k) {
      const normal = n[k] || n[0];
      spots.push(p[0], p[1], p[2]);
      normals.push(normal[0], normal[1], normal[2]);
      colours.push(colour[0], colour[1], colour[2]);
      leaves.push(leaf);
    });
  }

  function ground() {
    const soil = [226, 226, 208];
    const g = data.ground;
    const [w, s, e, n] = data.extent, wide = Math.max(e - w, n - s);
    const far = wide / 2 + 1.5 * (wide / 2 + 250), x = (w + e) / 2, y = (s + n) / 2;
    if (!g) {
      const a = [x - far, y - far, 0], b = [x + far, y - far, 0], c = [x + far, y + far, 0], d = [x - far, y + far, 0];
      triangle(a, b, c, soil, 0);
      triangle(a, c, d, soil, 0);
      return;
    }
    const count = Math.round(Math.sqrt(g.z.length)), step = g.side / (count - 1);
    function at(r, c) { return [g.left + c * step, g.bottom + r * step, g.z[r * count + c] / 100]; }
    for (let r = 0; r + 1 < count; r++) for (let c = 0; c + 1 < count; c++) {
      triangle(at(r, c), at(r, c + 1), at(r + 1, c + 1), soil, 0);
      triangle(at(r, c), at(r + 1, c + 1), at(r + 1, c), soil, 0);
    }
  }

  function blocks() {
    data.blocks.forEach(function (block) {
      const leaf = block[0] === "wall" ? 0 : block[0] === "leaf" ? 1 : 2;
      const v = block[1];
      for (let k = 0; k < v.length; k += 9) {
        const p = [0, 3, 6].map(function (i) { return [v[k + i] / 100, v[k + i + 1] / 100, v[k + i + 2] / 100]; });
        const up = unit(cross(minus(p[1], p[0]), minus(p[2], p[0])))[2];
        triangle(p[0], p[1], p[2], leaf ? ink[block[0]] : up > 0.5 ? ink.roof : ink.wall, leaf);
      }
    });
  }

  /* a ball of 8 by 5 faces, stretched to each crown */
  function crowns() {
    const around = 8, high = 5;
    function point(i, j) {
      const a = i / around * 2 * Math.PI, t = (j / high - 0.5) * Math.PI;
      return [Math.cos(a) * Math.cos(t), Math.sin(a) * Math.cos(t), Math.sin(t)];
    }
    data.crowns.forEach(function (c) {
      const [x, y, z, r, h] = c.map(function (v) { return v / 100; });
      const leaf = c[5] ? 2 : 1, colour = leaf === 2 ? ink.evergreen : ink.leaf;
      function put(u) { return [x + u[0] * r, y + u[1] * r, z + u[2] * h]; }
      for (let i = 0; i < around; i++) for (let j = 0; j < high; j++) {
        const a = point(i, j), b = point(i + 1, j), d = point(i, j + 1), e = point(i + 1, j + 1);
        if (j > 0) triangle(put(a), put(b), put(e), colour, leaf, [a, b, e]);
        if (j + 1 < high) triangle(put(a), put(e), put(d), colour, leaf, [a, e, d]);
      }
      const foot = 0.15, low = z - h, stem = [[-foot, -foot], [foot, -foot], [foot, foot], [-foot, foot]];
      if (low > 0.3) stem.forEach(function (s, k) {
        const t = stem[(k + 1) % 4], base = Math.min(low - 0.1, 0);
        const a = [x + s[0], y + s[1], base], b = [x + t[0], y + t[1], base];
        triangle(a, b, [b[0], b[1], z], [120, 104, 84], 0);
        triangle(a, [b[0], b[1], z], [a[0], a[1], z], [120, 104, 84], 0);
      });
    });
  }

  const lines = [], lineColours = [], zones = [];
  function line(a, b, colour) {
    lines.push(a[0], a[1], a[2], b[0], b[1], b[2]);
    for (let k = 0; k < 2; k++) lineColours.push(colour[0], colour[1], colour[2]);
  }
  function metres(v, k) { return [v[k] / 100, v[k + 1] / 100, v[k + 2] / 100]; }

  function drawn() {
    data.outline.forEach(function (ring) {
      for (let k = 0; k + 3 < ring.length; k += 2) {
        const a = [ring[k] / 100, ring[k + 1] / 100], b = [ring[k + 2] / 100, ring[k + 3] / 100];
        line([a[0], a[1], heightAt(a) + 0.3], [b[0], b[1], heightAt(b) + 0.3], ink.outline);
      }
    });
    data.places.forEach(function (p) {
      const at = metres(p.at, 0);
      line([at[0], at[1], p.foot / 100], at, ink.outline);
    });
    data.links.forEach(function (l) {
      const a = metres(l.ends, 0), b = metres(l.ends, 3);
      line(a, b, ink.link);
      spindle(a, b, l.radius);
    });
  }

  /* the first Fresnel zone: widest in the middle */
  function spindle(a, b, radius) {
    const way = unit(minus(b, a)), side = unit(cross(way, [0, 0, 1])), up = cross(side, way);
    function point(i, j) {
      const t = i / 16, r = radius * 2 * Math.sqrt(t * (1 - t)), q = j / 10 * 2 * Math.PI;
      return [0, 1, 2].map(function (k) {
        return a[k] + (b[k] - a[k]) * t + r * (Math.cos(q) * side[k] + Math.sin(q) * up[k]);
      });
    }
    for (let i = 0; i < 16; i++) for (let j = 0; j < 10; j++) {
      [[i, j], [i + 1, j], [i + 1, j + 1], [i, j], [i + 1, j + 1], [i, j + 1]].forEach(function (ij) {
        zones.push.apply(zones, point(ij[0], ij[1]));
      });
    }
  }

  /* --- programs --- */

  const TAKES = // of leaves, as many points are drawn as they take of the light
    "float taken(float leaf, vec2 at, float some, float green) {" +
    " if (leaf < 0.5) return 1.0; float share = leaf < 1.5 ? some : green;" +
    " return fract(52.9829189 * fract(dot(floor(at), vec2(0.06711056, 0.00583715)))) < share ? 1.0 : 0.0; }";
  const DEPTH_V = "#version 300 es\nin vec3 spot; in float leaf; uniform mat4 sun; out float vLeaf;" +
    "void main() { vLeaf = leaf; gl_Position = sun * vec4(spot, 1.0); }";
  const DEPTH_F = "#version 300 es\nprecision highp float; in float vLeaf; uniform float some; uniform float green;" + TAKES +
    "void main() { if (taken(vLeaf, gl_FragCoord.xy, some, green) < 0.5) discard; }";
  const MAIN_V = "#version 300 es\nin vec3 spot; in vec3 normal; in vec3 colour; in float leaf; uniform mat4 eye; uniform mat4 sun;" +
    "uniform float push; out vec3 vNormal; out vec3 vColour; out vec4 vShade;" +
    "void main() { vNormal = normal; vColour = colour; vShade = sun * vec4(spot + normal * push, 1.0); gl_Position = eye * vec4(spot, 1.0); }";
  const MAIN_F = "#version 300 es\nprecision highp float; precision highp sampler2DShadow; in vec3 vNormal; in vec3 vColour; in vec4 vShade;" +
    "uniform vec3 toSun; uniform float day; uniform sampler2DShadow shade; uniform float texel; out vec4 seen;" +
    "void main() { vec3 n = normalize(vNormal); float facing = max(dot(n, toSun), 0.0); float lit = 0.0;" +
    " vec3 at = vShade.xyz * 0.5 + 0.5;" +
    " if (day > 0.5 && facing > 0.0) { for (int i = -1; i < 2; i++) for (int j = -1; j < 2; j++)" +
    "  lit += texture(shade, vec3(at.xy + vec2(i, j) * texel, at.z - 0.0004)) / 9.0; }" +
    " float sky = 0.5 + 0.12 * n.z; vec3 light = vec3(sky * 0.86, sky * 0.93, sky) + vec3(0.62, 0.56, 0.44) * lit * min(1.0, 0.25 + facing);" +
    " if (day < 0.5) light = vec3(0.34, 0.37, 0.45) * (0.8 + 0.2 * n.z); seen = vec4(min(vColour * light, 1.0), 1.0); }";
  const PLAIN_V = "#version 300 es\nin vec3 spot; in vec3 colour; uniform mat4 eye; out vec3 vColour;" +
    "void main() { vColour = colour; gl_Position = eye * vec4(spot, 1.0); }";
  const PLAIN_F = "#version 300 es\nprecision mediump float; in vec3 vColour; uniform float alpha; out vec4 seen;" +
    "void main() { seen = vec4(vColour, alpha); }";

  let gl = null, parts = null;
  const ATTRIBUTES = ["spot", "normal", "colour", "leaf"]; // at the same places in every program

  function program(vertex, fragment) {
    const made = gl.createProgram();
    [[gl.VERTEX_SHADER, vertex], [gl.FRAGMENT_SHADER, fragment]].forEach(function (pair) {
      const shader = gl.createShader(pair[0]);
      gl.shaderSource(shader, pair[1]);
      gl.compileShader(shader);
      if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS)) throw new Error(gl.getShaderInfoLog(shader));
      gl.attachShader(made, shader);
    });
    ATTRIBUTES.forEach(function (name, k) { gl.bindAttribLocation(made, k, name); });
    gl.linkProgram(made);
    return made;
  }

  function layout(columns) {
    const array = gl.createVertexArray();
    gl.bindVertexArray(array);
    columns.forEach(function (column) {
      gl.bindBuffer(gl.ARRAY_BUFFER, gl.createBuffer());
      gl.bufferData(gl.ARRAY_BUFFER, column.values, gl.STATIC_DRAW);
      gl.enableVertexAttribArray(column.at);
      gl.vertexAttribPointer(column.at, column.size, column.bytes ? gl.UNSIGNED_BYTE : gl.FLOAT, !!column.bytes, 0, 0);
    });
    return array;
  }

  function prepare() {
    ground();
    blocks();
    crowns();
    drawn();
    const zoneInk = [];
    for (let k = 0; k < zones.length; k += 3) zoneInk.push(ink.link[0], ink.link[1], ink.link[2]);
    const frame = gl.createFramebuffer(), texture = gl.createTexture();
    gl.bindTexture(gl.TEXTURE_2D, texture);
    gl.texStorage2D(gl.TEXTURE_2D, 1, gl.DEPTH_COMPONENT24, SIZE, SIZE);
    [[gl.TEXTURE_COMPARE_MODE, gl.COMPARE_REF_TO_TEXTURE], [gl.TEXTURE_COMPARE_FUNC, gl.LEQUAL],
      [gl.TEXTURE_MIN_FILTER, gl.LINEAR], [gl.TEXTURE_MAG_FILTER, gl.LINEAR],
      [gl.TEXTURE_WRAP_S, gl.CLAMP_TO_EDGE], [gl.TEXTURE_WRAP_T, gl.CLAMP_TO_EDGE]].forEach(function (p) {
      gl.texParameteri(gl.TEXTURE_2D, p[0], p[1]);
    });
    gl.bindFramebuffer(gl.FRAMEBUFFER, frame);
    gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.DEPTH_ATTACHMENT, gl.TEXTURE_2D, texture, 0);
    gl.drawBuffers([gl.NONE]);
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    parts = {
      depth: program(DEPTH_V, DEPTH_F), main: program(MAIN_V, MAIN_F), plain: program(PLAIN_V, PLAIN_F),
      solid: layout([{ at: 0, size: 3, values: new Float32Array(spots) }, { at: 1, size: 3, values: new Float32Array(normals) },
        { at: 2, size: 3, bytes: true, values: new Uint8Array(colours) }, { at: 3, size: 1, values: new Float32Array(leaves) }]),
      lines: layout([{ at: 0, size: 3, values: new Float32Array(lines) }, { at: 2, size: 3, bytes: true, values: new Uint8Array(lineColours) }]),
      zones: layout([{ at: 0, size: 3, values: new Float32Array(zones) }, { at: 2, size: 3, bytes: true, values: new Uint8Array(zoneInk) }]),
      frame: frame, texture: texture, count: leaves.length
    };
  }

  /* --- the sun's frame: a box round all that throws or takes a shadow --- */

  let low = Infinity, high = -Infinity, reach = 0;
  function bound() {
    const c = middle();
    for (let k = 0; k < spots.length; k += 3) {
      low = Math.min(low, spots[k + 2]);
      high = Math.max(high, spots[k + 2]);
      reach = Math.max(reach, Math.hypot(spots[k] - c[0], spots[k + 1] - c[1]));
    }
    reach = Math.min(reach, shadeReach());
  }
  function middle() { return [(data.extent[0] + data.extent[2]) / 2, (data.extent[1] + data.extent[3]) / 2, 0]; }
  /* shadows are drawn on the site and a little round it: finer so than over all that stands about */
  function shadeReach() { return Math.hypot(data.extent[2] - data.extent[0], data.extent[3] - data.extent[1]) / 2 + 60; }
  function sunFrame(sun) {
    const c = middle(), far = 4000;
    c[2] = (low + high) / 2;
    const half = reach + (high - low) / 2;
    const eye = [c[0] + sun.to[0] * far, c[1] + sun.to[1] * far, c[2] + sun.to[2] * far];
    const up = Math.abs(sun.to[2]) > 0.99 ? [0, 1, 0] : [0, 0, 1];
    return { matrix: times(box(half, 0, 2 * far), look(eye, c, up)), half: half };
  }

  /* --- the eye --- */

  const view = { turn: 0, tilt: 0, far: 0, at: [0, 0, 0] };
  function span() { return Math.max(data.extent[2] - data.extent[0], data.extent[3] - data.extent[1], 40); }
  function narrow() { return Math.max(1, 1.1 * canvas.clientHeight / Math.max(1, canvas.clientWidth)); } // a phone held upright
  function above() { view.turn = 0; view.tilt = 89.9 * rad; view.far = span() * 1.35 * narrow(); view.at = middle(); ask(); }
  function aside() { view.turn = data.latitude >= 0 ? 0 : Math.PI; view.tilt = 32 * rad; view.far = span() * 1.25 * narrow(); view.at = middle(); ask(); }
  function eyeFrame(wide) {
    const t = view.tilt, a = view.turn, d = view.far;
    const eye = [view.at[0] - Math.sin(a) * Math.cos(t) * d, view.at[1] - Math.cos(a) * Math.cos(t) * d, view.at[2] + Math.sin(t) * d];
    const up = t > 80 * rad ? [Math.sin(a), Math.cos(a), 0] : [0, 0, 1];
    return times(lens(45 * rad, wide, Math.max(0.5, d / 60), d * 4 + 6000), look(eye, view.at, up));
  }

  /* --- what people touch --- */

  const root = make("div", "solid");
  root.hidden = true;
  const canvas = make("canvas", "solid-canvas");
  canvas.tabIndex = 0;
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", words.picture + ". " + words.how);
  const labels = make("div", "solid-labels");
  const bar = make("div", "solid-bar");
  const told = make("p", "solid-told");
  told.setAttribute("aria-live", "polite");
  const day = slider(words.day, 1, 365, 1, 172, function (v) { const d = monthOf(v); return words.months[d.month] + " " + d.date; });
  const hour = slider(words.hour, 3, 21, 0.25, 15, sky.said);
  const buttons = make("div", "solid-buttons");
  [[words.aside, aside], [words.above, above], [words.close, close]].forEach(function (pair) {
    const button = make("button", "solid-button", pair[0]);
    button.type = "button";
    button.addEventListener("click", pair[1]);
    buttons.append(button);
  });
  const note = make("p", "solid-note", [words.how, words.rough, data.more].filter(Boolean).join(" "));
  bar.append(day.box, hour.box, told, buttons);
  root.append(canvas, labels, bar, note);
  holder.append(root);

  function slider(name, least, most, step, value, said) {
    const box = make("label", "solid-slider"), shown = make("output", ""), input = make("input");
    Object.assign(input, { type: "range", min: least, max: most, step: step, value: value });
    function tell() { shown.textContent = said(Number(input.value)); input.setAttribute("aria-valuetext", shown.textContent); }
    input.addEventListener("input", function () { tell(); ask(); });
    const head = make("span", "", name);
    head.append(" ", shown);
    box.append(head, input);
    tell();
    return { box: box, value: function () { return Number(input.value); }, set: function (v) { input.value = v; tell(); ask(); } };
  }

  const fingers = new Map();
  canvas.addEventListener("pointerdown", function (e) { canvas.setPointerCapture(e.pointerId); fingers.set(e.pointerId, e); canvas.focus({ preventScroll: true }); });
  ["pointerup", "pointercancel"].forEach(function (kind) { canvas.addEventListener(kind, function (e) { fingers.delete(e.pointerId); }); });
  canvas.addEventListener("pointermove", function (e) {
    const was = fingers.get(e.pointerId);
    if (!was) return;
    const dx = e.clientX - was.clientX, dy = e.clientY - was.clientY;
    if (fingers.size > 1) {
      const other = Array.from(fingers.values()).find(function (f) { return f.pointerId !== e.pointerId; });
      const before = Math.hypot(was.clientX - other.clientX, was.clientY - other.clientY);
      const now = Math.hypot(e.clientX - other.clientX, e.clientY - other.clientY);
      if (before && now) zoom(before / now);
      move(dx / 2, dy / 2);
    } else if (e.buttons & 2 || e.shiftKey) {
      move(dx, dy);
    } else {
      turn(dx * 0.006, dy * 0.006);
    }
    fingers.set(e.pointerId, e);
  });
  canvas.addEventListener("contextmenu", function (e) { e.preventDefault(); });
  canvas.addEventListener("wheel", function (e) { e.preventDefault(); zoom(Math.exp(e.deltaY * 0.0012)); }, { passive: false });
  canvas.addEventListener("keydown", function (e) {
    const keys = { ArrowLeft: [-0.08, 0], ArrowRight: [0.08, 0], ArrowUp: [0, 0.06], ArrowDown: [0, -0.06] };
    if (keys[e.key]) turn(keys[e.key][0], keys[e.key][1]);
    else if (e.key === "+" || e.key === "=") zoom(0.88);
    else if (e.key === "-") zoom(1.14);
    else if (e.key === "Escape") close();
    else return;
    e.preventDefault();
  });
  function turn(a, t) { view.turn += a; view.tilt = Math.max(2 * rad, Math.min(89.9 * rad, view.tilt + t)); ask(); }
  function zoom(by) { view.far = Math.max(8, Math.min(span() * 6, view.far * by)); ask(); }
  function move(dx, dy) {
    const per = view.far * 0.0011, s = Math.sin(view.turn), c = Math.cos(view.turn);
    view.at[0] += (-dx * c + dy * s) * per;
    view.at[1] += (dx * s + dy * c) * per;
    ask();
  }

  /* --- drawing --- */

  let asked = false;
  function ask() {
    if (asked || root.hidden || !parts) return;
    asked = true;
    requestAnimationFrame(function () { asked = false; draw(); });
  }

  function set(made, name, value) {
    const at = gl.getUniformLocation(made, name);
    if (value.length === 16) gl.uniformMatrix4fv(at, false, value);
    else if (value.length === 3) gl.uniform3fv(at, value);
    else gl.uniform1f(at, value);
  }

  function draw() {
    const sun = sunAt(day.value(), sky.solar(day.value(), hour.value())), up = sun.elevation > 0;
    const dense = Math.min(2, window.devicePixelRatio || 1);
    const wide = Math.max(1, canvas.clientWidth), tall = Math.max(1, canvas.clientHeight);
    canvas.width = wide * dense;
    canvas.height = tall * dense;
    const frame = sunFrame(sun), eye = eyeFrame(wide / tall);
    gl.enable(gl.DEPTH_TEST);
    if (up) {
      gl.bindFramebuffer(gl.FRAMEBUFFER, parts.frame);
      gl.viewport(0, 0, SIZE, SIZE);
      gl.clear(gl.DEPTH_BUFFER_BIT);
      gl.useProgram(parts.depth);
      set(parts.depth, "sun", frame.matrix);
      set(parts.depth, "some", data.takes[monthOf(day.value()).month]);
      set(parts.depth, "green", data.evergreen_takes);
      gl.bindVertexArray(parts.solid);
      gl.drawArrays(gl.TRIANGLES, 0, parts.count);
    }
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    gl.viewport(0, 0, canvas.width, canvas.height);
    gl.clearColor(0.91, 0.94, 0.95, 1);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    gl.useProgram(parts.main);
    gl.bindTexture(gl.TEXTURE_2D, parts.texture);
    set(parts.main, "eye", eye);
    set(parts.main, "sun", frame.matrix);
    set(parts.main, "toSun", sun.to);
    set(parts.main, "day", up ? 1 : 0);
    set(parts.main, "texel", 1 / SIZE);
    set(parts.main, "push", frame.half * 2 / SIZE * 1.5);
    gl.bindVertexArray(parts.solid);
    gl.drawArrays(gl.TRIANGLES, 0, parts.count);
    gl.useProgram(parts.plain);
    set(parts.plain, "eye", eye);
    set(parts.plain, "alpha", 1);
    gl.bindVertexArray(parts.lines);
    gl.drawArrays(gl.LINES, 0, lines.length / 3);
    gl.enable(gl.BLEND);
    gl.blendFunc(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA);
    gl.depthMask(false);
    set(parts.plain, "alpha", 0.13);
    gl.bindVertexArray(parts.zones);
    gl.drawArrays(gl.TRIANGLES, 0, zones.length / 3);
    gl.depthMask(true);
    gl.disable(gl.BLEND);
    label(eye, wide, tall);
    told.textContent = up
      ? words.sun.replace("{elevation}", sun.elevation.toFixed(0)).replace("{azimuth}", sun.azimuth.toFixed(0))
      : words.night;
  }

  const signs = data.places.map(function (p) {
    const box = make("div", "mark mark-" + p.kind);
    box.append(make("span", "mark-sign", p.sign));
    box.title = p.name;
    labels.append(box);
    return box;
  });
  function label(eye, wide, tall) {
    data.places.forEach(function (p, k) {
      const at = metres(p.at, 0);
      const w = eye[3] * at[0] + eye[7] * at[1] + eye[11] * at[2] + eye[15];
      const x = (eye[0] * at[0] + eye[4] * at[1] + eye[8] * at[2] + eye[12]) / w;
      const y = (eye[1] * at[0] + eye[5] * at[1] + eye[9] * at[2] + eye[13]) / w;
      signs[k].hidden = w <= 0 || Math.abs(x) > 1.05 || Math.abs(y) > 1.05;
      signs[k].style.left = (x + 1) / 2 * wide + "px";
      signs[k].style.top = (1 - y) / 2 * tall + "px";
    });
  }

  let opener = null;
  function open(button) {
    opener = button;
    root.hidden = false;
    if (!gl && !root.classList.contains("solid-none")) {
      gl = canvas.getContext("webgl2", { antialias: true, preserveDrawingBuffer: true });
      if (gl) {
        prepare();
        bound();
        aside();
      } else {
        root.classList.add("solid-none");
        canvas.hidden = true;
        day.box.hidden = hour.box.hidden = true;
        told.textContent = words.none;
      }
    }
    ask();
    canvas.focus({ preventScroll: true });
  }
  function close() {
    root.hidden = true;
    if (opener) opener.focus();
  }
  canvas.addEventListener("webglcontextlost", function (e) { e.preventDefault(); parts = null; told.textContent = words.none; });
  window.addEventListener("resize", ask);

  /* what tests ask: where the sun is, and whether a point of the ground is drawn in the light */
  function litAt(xy) {
    const [x, y] = xy, z = heightAt(xy), wide = canvas.width, tall = canvas.height;
    const eye = eyeFrame(wide / tall), w = eye[3] * x + eye[7] * y + eye[11] * z + eye[15];
    const px = Math.floor(((eye[0] * x + eye[4] * y + eye[8] * z + eye[12]) / w + 1) / 2 * wide);
    const py = Math.floor(((eye[1] * x + eye[5] * y + eye[9] * z + eye[13]) / w + 1) / 2 * tall);
    const seen = new Uint8Array(4);
    gl.readPixels(px, py, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, seen);
    return Array.from(seen);
  }
  root.view = {
    sunAt: sunAt, litAt: litAt,
    set: function (d, h) { day.set(d); hour.set(h); draw(); }, above: function () { above(); draw(); }
  };
  return { open: open };
}
