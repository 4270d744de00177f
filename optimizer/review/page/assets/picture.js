/* The pack as a picture that turns: the GLB that the page carries, drawn by WebGL. It moves only when it is turned. */
"use strict";
const Picture = (() => {
  /* Seen along (1, 1, -1) with z up, as the isometric drawing is; angles in radians. */
  const HOME = { turn: -Math.PI / 4 * 3, tilt: Math.atan(Math.SQRT1_2), zoom: 1 };
  const FROM = { isometric: HOME, above: { turn: -Math.PI / 2, tilt: Math.PI / 2, zoom: 1 }, "along x": { turn: Math.PI, tilt: 0, zoom: 1 }, "along y": { turn: -Math.PI / 2, tilt: 0, zoom: 1 } };
  const STEP = Math.PI / 24, HIGHEST = Math.PI / 2, CREASE = 0.5;
  const VERTEX = "attribute vec3 at; attribute vec3 normal; attribute vec4 paint; uniform mat4 view; uniform mat3 turn; varying vec4 colour;"
    + "void main() { gl_Position = view * vec4(at, 1.0); float light = length(normal) < 0.5 ? 1.0 : 0.45 + 0.55 * abs(dot(turn * normal, vec3(0.27, 0.45, 0.85)));"
    + "colour = vec4(paint.rgb * light, paint.a); }";
  const FRAGMENT = "precision mediump float; varying vec4 colour; void main() { gl_FragColor = vec4(colour.rgb * colour.a, colour.a); }";

  /* ---- the file: binary glTF 2.0, as review/cad/model.py writes it ------------------------------------ */
  const unpacked = async (text) => {
    const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
    return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"))).arrayBuffer();
  };
  const times = (a, b) => { const out = new Array(16).fill(0); for (let c = 0; c < 4; c++) for (let r = 0; r < 4; r++) for (let k = 0; k < 4; k++) out[4 * c + r] += a[4 * k + r] * b[4 * c + k]; return out; };
  const moved = (m, p) => [0, 1, 2].map((r) => m[r] * p[0] + m[4 + r] * p[1] + m[8 + r] * p[2] + m[12 + r]);
  const minus = (a, b) => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
  const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const unit = (a) => { const n = Math.hypot(...a) || 1; return a.map((x) => x / n); };
  const read = (buffer) => {
    const sizes = new DataView(buffer), json = sizes.getUint32(12, true), start = 28 + json;
    const gltf = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 20, json)));
    const list = (k) => {
      const a = gltf.accessors[k], v = gltf.bufferViews[a.bufferView], from = start + (v.byteOffset || 0) + (a.byteOffset || 0);
      return a.componentType === 5126 ? new Float32Array(buffer, from, 3 * a.count) : a.componentType === 5123 ? new Uint16Array(buffer, from, a.count) : new Uint32Array(buffer, from, a.count);
    };
    const shapes = gltf.meshes.map((mesh) => mesh.primitives.map((p) => {
      const material = gltf.materials[p.material], factor = material.pbrMetallicRoughness.baseColorFactor;
      return { at: list(p.attributes.POSITION), side: list(p.indices), kind: material.name, paint: factor };
    })).map((primitives) => primitives[0]);
    const things = [];
    const walk = (k, above) => {
      const node = gltf.nodes[k], place = node.matrix ? times(above, node.matrix) : above;
      if (node.mesh !== undefined) things.push({ name: node.name, place, shape: shapes[node.mesh] });
      for (const child of node.children || []) walk(child, place);
    };
    for (const k of gltf.scenes[gltf.scene || 0].nodes) walk(k, [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]);
    return things;
  };

  /* ---- triangles with flat light, and the creases of bodies as lines ----------------------------------- */
  const mesh = (things) => {
    const kinds = new Map(), names = [], low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
    let hull = [];
    for (const { name, place, shape } of things) {
      const points = [];
      for (let i = 0; i < shape.at.length; i += 3) points.push(moved(place, shape.at.subarray(i, i + 3)));
      for (const p of points) for (let a = 0; a < 3; a++) { low[a] = Math.min(low[a], p[a]); high[a] = Math.max(high[a], p[a]); }
      if (shape.kind === "box") { hull = hull.concat(points); names.push({ text: name.replace(/^box /, ""), at: [0, 1, 2].map((a) => { const line = points.map((p) => p[a]); return (a === 2 ? 1 : 0.5) * Math.max(...line) + (a === 2 ? 0 : 0.5) * Math.min(...line); }) }); }
      if (!kinds.has(shape.kind)) kinds.set(shape.kind, { sides: [], lines: [], seeThrough: shape.paint[3] < 1 });
      const kind = kinds.get(shape.kind), paint = shape.paint, line = kind.seeThrough ? [0.45, 0.47, 0.5, 1] : [...paint.slice(0, 3).map((x) => 0.35 * x), 1], seen = new Map();
      for (let i = 0; i < shape.side.length; i += 3) {
        const three = [shape.side[i], shape.side[i + 1], shape.side[i + 2]], [a, b, c] = three.map((k) => points[k]), normal = unit(cross(minus(b, a), minus(c, a)));
        for (const p of [a, b, c]) kind.sides.push(...p, ...normal, ...paint);
        for (let e = 0; e < 3; e++) {
          const from = three[e], to = three[(e + 1) % 3], other = seen.get(to * 1e6 + from);
          if (!other) seen.set(from * 1e6 + to, normal);
          else if (dot(other, normal) < CREASE) kind.lines.push(...points[from], 0, 0, 0, ...line, ...points[to], 0, 0, 0, ...line);
        }
      }
    }
    const middle = low.map((x, a) => (x + high[a]) / 2);
    hull = hull.map((p) => minus(p, middle));
    return { kinds, names, middle, hull, deep: Math.hypot(...minus(high, low)) / 2 || 1 };
  };

  /* ---- one WebGL context draws for all pictures of the page --------------------------------------------- */
  let shared = null;
  const context = () => {
    if (shared !== null) return shared;
    const canvas = document.createElement("canvas"), gl = canvas.getContext("webgl", { antialias: true, premultipliedAlpha: true, preserveDrawingBuffer: true });
    if (!gl) return (shared = false);
    const program = gl.createProgram();
    for (const [kind, text] of [[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, FRAGMENT]]) {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, text); gl.compileShader(shader); gl.attachShader(program, shader);
    }
    gl.linkProgram(program);
    if (!gl.getProgramParameter(program, gl.LINK_STATUS)) return (shared = false);
    gl.useProgram(program);
    gl.enable(gl.DEPTH_TEST); gl.enable(gl.BLEND); gl.blendFunc(gl.ONE, gl.ONE_MINUS_SRC_ALPHA); gl.enable(gl.POLYGON_OFFSET_FILL); gl.polygonOffset(1, 1);
    return (shared = { canvas, gl, view: gl.getUniformLocation(program, "view"), turn: gl.getUniformLocation(program, "turn"), slots: ["at", "normal", "paint"].map((name) => gl.getAttribLocation(program, name)) });
  };
  const upload = (gl, values) => {
    const buffer = gl.createBuffer();
    gl.bindBuffer(gl.ARRAY_BUFFER, buffer); gl.bufferData(gl.ARRAY_BUFFER, new Float32Array(values), gl.STATIC_DRAW);
    return { buffer, count: values.length / 10 };
  };
  /* How large and where, so that all is seen from one side; kept while the picture turns. */
  const fitting = (axes, hull, wide, high) => {
    const [across, up] = [0, 1].map((r) => { const line = hull.map((p) => dot(axes[r], p)); return [Math.min(...line), Math.max(...line)]; });
    return { scale: 0.92 * Math.min(wide / (across[1] - across[0]), (high - 40) / (up[1] - up[0])), middle: [across, up].map(([low, top]) => (low + top) / 2) };
  };
  const draw = (picture) => {
    const { gl, canvas, view, turn, slots } = context(), { target, look, hull, middle } = picture;
    const ratio = Math.min(window.devicePixelRatio || 1, 2), wide = Math.round(target.clientWidth * ratio), high = Math.round(target.clientHeight * ratio);
    if (!wide || !high) return;
    canvas.width = wide; canvas.height = high;
    const [c, s, u, v] = [Math.cos(look.turn), Math.sin(look.turn), Math.cos(look.tilt), Math.sin(look.tilt)];
    /* Rows: to the right, up, towards the eye. */
    const axes = [[-s, c, 0], [-v * c, -v * s, u], [u * c, u * s, v]];
    if (!picture.fit || picture.fit.wide !== wide || picture.fit.high !== high) picture.fit = { wide, high, ...fitting(axes, hull, wide, high) };
    const scale = look.zoom * picture.fit.scale, size = [2 * scale / wide, 2 * scale / high, -0.95 / picture.deep], shift = [...picture.fit.middle.map((x, r) => -x * size[r]), 0];
    const matrix = new Float32Array(16);
    axes.forEach((axis, r) => { for (let k = 0; k < 3; k++) matrix[4 * k + r] = size[r] * axis[k]; matrix[12 + r] = shift[r] - size[r] * dot(axis, middle); });
    matrix[15] = 1;
    gl.viewport(0, 0, wide, high); gl.depthMask(true); gl.clearColor(0, 0, 0, 0); gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    gl.uniformMatrix4fv(view, false, matrix); gl.uniformMatrix3fv(turn, false, [0, 1, 2].flatMap((k) => axes.map((axis) => axis[k])));
    const lot = ({ buffer, count }, mode) => {
      gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
      slots.forEach((slot, k) => { gl.enableVertexAttribArray(slot); gl.vertexAttribPointer(slot, k === 2 ? 4 : 3, gl.FLOAT, false, 40, 12 * k); });
      gl.drawArrays(mode, 0, count);
    };
    const kinds = [...picture.kinds].filter(([name]) => !picture.hidden.has(name)).sort(([, a], [, b]) => a.seeThrough - b.seeThrough);
    for (const [, kind] of kinds) { gl.depthMask(!kind.seeThrough); lot(kind.sides, gl.TRIANGLES); lot(kind.lines, gl.LINES); }
    target.width = wide; target.height = high;
    const pen = target.getContext("2d"), ink = getComputedStyle(target).color;
    pen.drawImage(canvas, 0, 0);
    pen.scale(ratio, ratio);
    pen.font = "600 13px system-ui, sans-serif"; pen.textAlign = "center"; pen.fillStyle = pen.strokeStyle = ink;
    const word = (text, x, y) => { pen.lineWidth = 4; pen.strokeStyle = getComputedStyle(target).backgroundColor; pen.strokeText(text, x, y); pen.fillText(text, x, y); pen.strokeStyle = ink; pen.lineWidth = 1.5; };
    for (const { text, at } of picture.hidden.has("box") ? [] : picture.names) {
      const from = minus(at, middle), half = target.clientHeight / 2;
      word(text, target.clientWidth / 2 * (1 + shift[0] + size[0] * dot(axes[0], from)), half * (1 - shift[1] - size[1] * dot(axes[1], from)) - 6);
    }
    ["x", "y", "z"].forEach((name, k) => {
      const [x, y, right, up] = [34, target.clientHeight - 34, axes[0][k], axes[1][k]];
      if (Math.hypot(right, up) < 0.2) return;
      pen.lineWidth = 1.5; pen.beginPath(); pen.moveTo(x, y); pen.lineTo(x + 18 * right, y - 18 * up); pen.stroke();
      word(name, x + 26 * right, y - 26 * up + 4);
    });
    target.dataset.drawn = `${look.turn.toFixed(3)} ${look.tilt.toFixed(3)} ${look.zoom.toFixed(2)}`;
  };

  /* ---- turned by pointer, wheel and keys ------------------------------------------------------------------ */
  const change = (picture, { turn = 0, tilt = 0, zoom = 1 }) => {
    const { look } = picture;
    look.turn += turn; look.tilt = Math.min(HIGHEST, Math.max(-HIGHEST, look.tilt + tilt)); look.zoom = Math.min(8, Math.max(0.5, look.zoom * zoom));
    draw(picture);
  };
  const KEYS = { ArrowLeft: { turn: STEP }, ArrowRight: { turn: -STEP }, ArrowUp: { tilt: STEP }, ArrowDown: { tilt: -STEP }, "+": { zoom: 1.2 }, "=": { zoom: 1.2 }, "-": { zoom: 1 / 1.2 } };
  const listen = (picture, figure) => {
    const { target } = picture, canvas = target;
    let last = null;
    canvas.addEventListener("pointerdown", (event) => { last = [event.clientX, event.clientY]; canvas.setPointerCapture(event.pointerId); });
    canvas.addEventListener("pointermove", (event) => {
      if (!last) return;
      change(picture, { turn: (last[0] - event.clientX) / 120, tilt: (event.clientY - last[1]) / 120 });
      last = [event.clientX, event.clientY];
    });
    for (const name of ["pointerup", "pointercancel"]) canvas.addEventListener(name, () => { last = null; });
    canvas.addEventListener("wheel", (event) => { if (event.ctrlKey) { event.preventDefault(); change(picture, { zoom: event.deltaY < 0 ? 1.15 : 1 / 1.15 }); } }, { passive: false });
    canvas.addEventListener("keydown", (event) => { if (KEYS[event.key] && !event.ctrlKey && !event.metaKey && !event.altKey) { event.preventDefault(); change(picture, KEYS[event.key]); } });
    figure.querySelector("select").addEventListener("change", (event) => { Object.assign(picture.look, FROM[event.target.value]); picture.fit = null; draw(picture); });
    figure.querySelectorAll("input[data-kind]").forEach((box) => {
      if (!picture.kinds.has(box.dataset.kind)) { box.parentElement.remove(); return; }
      box.checked = true;
      box.addEventListener("change", () => { picture.hidden[box.checked ? "delete" : "add"](box.dataset.kind); draw(picture); });
    });
    new ResizeObserver(() => draw(picture)).observe(canvas);
  };
  const show = async (figure) => {
    if (typeof DecompressionStream === "undefined" || !context()) return;
    const made = mesh(read(await unpacked(figure.querySelector("script").textContent.trim()))), { gl } = context();
    for (const kind of made.kinds.values()) { kind.sides = upload(gl, kind.sides); kind.lines = upload(gl, kind.lines); }
    const picture = { ...made, target: figure.querySelector("canvas"), look: { ...HOME }, hidden: new Set() };
    figure.classList.add("turns");
    listen(picture, figure);
    draw(picture);
  };
  /* Each is unpacked when it comes near the window: a page of many designs opens no slower. */
  const start = () => {
    const near = new IntersectionObserver((seen) => seen.filter((one) => one.isIntersecting).forEach((one) => { near.unobserve(one.target); show(one.target).catch((fault) => { one.target.dataset.fault = String(fault); }); }), { rootMargin: "400px" });
    document.querySelectorAll("figure.solid").forEach((figure) => near.observe(figure));
  };
  return { start };
})();
