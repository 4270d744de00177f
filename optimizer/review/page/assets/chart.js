/* Two charts on canvas: a scatter of any two figures, and all objectives at once as lines. */
"use strict";
const Chart = (() => {
  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const GLYPHS = [
    (c, r) => c.arc(0, 0, r, 0, 7),
    (c, r) => c.rect(-0.88 * r, -0.88 * r, 1.76 * r, 1.76 * r),
    (c, r) => poly(c, r * 1.15, 3, -Math.PI / 2),
    (c, r) => poly(c, r * 1.2, 4, -Math.PI / 2),
    (c, r) => poly(c, r * 1.15, 3, Math.PI / 2),
    (c, r) => poly(c, r * 1.05, 6, 0),
    (c, r) => star(c, r * 1.25),
    (c, r) => cross(c, r),
  ];
  const poly = (c, r, n, turn) => {
    for (let i = 0; i < n; i++) c[i ? "lineTo" : "moveTo"](r * Math.cos(turn + 2 * Math.PI * i / n), r * Math.sin(turn + 2 * Math.PI * i / n));
    c.closePath();
  };
  const star = (c, r) => {
    for (let i = 0; i < 10; i++) { const s = i % 2 ? 0.45 * r : r, a = Math.PI * (i / 5 - 0.5); c[i ? "lineTo" : "moveTo"](s * Math.cos(a), s * Math.sin(a)); }
    c.closePath();
  };
  const cross = (c, r) => {
    const s = r / 2.6;
    for (const [i, [x, y]] of [[-s, -r], [s, -r], [s, -s], [r, -s], [r, s], [s, s], [s, r], [-s, r], [-s, s], [-r, s], [-r, -s], [-s, -s]].entries()) c[i ? "lineTo" : "moveTo"](x, y);
    c.closePath();
  };
  const MANY = 4000;
  const glyph = (context, kind, x, y, r) => {
    context.save(); context.translate(x, y); context.beginPath(); GLYPHS[kind % GLYPHS.length](context, r); context.fill(); context.stroke(); context.restore();
  };
  const ticks = (low, high, count) => {
    const raw = (high - low || 1) / count, power = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 5, 10].find((m) => m * power >= raw) * power, found = [];
    for (let v = Math.ceil(low / step - 1e-9) * step; v <= high + 1e-9 * step; v += step) found.push(Number(v.toPrecision(12)));
    return found;
  };
  const sized = (canvas, height) => {
    const ratio = window.devicePixelRatio || 1, width = canvas.parentElement.clientWidth - 14;
    if (canvas.width !== Math.round(width * ratio)) { canvas.width = Math.round(width * ratio); }
    canvas.height = Math.round(height * ratio);
    canvas.style.width = `${width}px`; canvas.style.height = `${height}px`;
    const context = canvas.getContext("2d");
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.clearRect(0, 0, width, height);
    context.font = "14px system-ui, 'Liberation Sans', 'DejaVu Sans', sans-serif";
    return [context, width];
  };

  /* look: { values, label(name), shown(name, value), series(k), colours } */
  const scatter = (canvas, tip, look) => {
    const box = { left: 66, right: 16, top: 14, bottom: 46, height: 460 };
    let state = null, window_ = null, xs = [], ys = [], shownRows = [];
    const spanOf = (list, rows) => {
      let low = Infinity, high = -Infinity;
      for (const k of rows) { const v = list[k]; if (v === null) continue; if (v < low) low = v; if (v > high) high = v; }
      if (low > high) return [0, 1];
      const pad = (high - low || Math.abs(high) || 1) * 0.04;
      return [low - pad, high + pad];
    };
    const draw = (next) => {
      if (next) {
        if (!state || next.x !== state.x || next.y !== state.y) window_ = null;
        state = next;
      }
      const { x, y, size, visible, all, pinned, pins, mine } = state;
      const [c, width] = sized(canvas, box.height);
      const [xv, yv, sv] = [look.values[x], look.values[y], size ? look.values[size] : null];
      const full = { x: spanOf(xv, all), y: spanOf(yv, all) };
      const view = window_ ?? full;
      const at = {
        x: (v) => box.left + (v - view.x[0]) / (view.x[1] - view.x[0]) * (width - box.left - box.right),
        y: (v) => box.height - box.bottom - (v - view.y[0]) / (view.y[1] - view.y[0]) * (box.height - box.top - box.bottom),
      };
      state.at = at; state.view = view; state.full = full; state.width = width;
      c.strokeStyle = css("--grid"); c.fillStyle = css("--soft"); c.lineWidth = 1; c.textAlign = "center";
      for (const v of ticks(...view.x, Math.max(3, width / 110))) {
        const px = Math.round(at.x(v)) + 0.5;
        c.beginPath(); c.moveTo(px, box.top); c.lineTo(px, box.height - box.bottom); c.stroke();
        c.fillText(String(v), px, box.height - box.bottom + 17);
      }
      c.textAlign = "right";
      for (const v of ticks(...view.y, 7)) {
        const py = Math.round(at.y(v)) + 0.5;
        c.beginPath(); c.moveTo(box.left, py); c.lineTo(width - box.right, py); c.stroke();
        c.fillText(String(v), box.left - 7, py + 4);
      }
      c.fillStyle = css("--ink"); c.textAlign = "center";
      c.fillText(look.label(x), (box.left + width - box.right) / 2, box.height - 8);
      c.save(); c.translate(15, (box.top + box.height - box.bottom) / 2); c.rotate(-Math.PI / 2); c.fillText(look.label(y), 0, 0); c.restore();
      const [low, high] = sv ? spanOf(sv, all) : [0, 1];
      const radius = (k) => (sv && sv[k] !== null ? 3 + 6 * Math.sqrt(Math.max(0, (sv[k] - low) / (high - low))) : 5);
      c.save(); c.beginPath(); c.rect(box.left, box.top, width - box.left - box.right, box.height - box.top - box.bottom); c.clip();
      xs = []; ys = []; shownRows = [];
      c.lineWidth = 0.6; c.strokeStyle = css("--card");
      const hues = look.colours(), many = visible.length > MANY, dots = hues.map(() => new Path2D());
      for (const k of visible) {
        if (xv[k] === null || yv[k] === null) continue;
        const px = at.x(xv[k]), py = at.y(yv[k]), s = look.series(k);
        xs.push(px); ys.push(py); shownRows.push(k);
        if (many) { dots[s].rect(px - 2.5, py - 2.5, 5, 5); continue; }
        c.fillStyle = hues[s]; glyph(c, s, px, py, radius(k));
      }
      /* So many marks hide each other: small squares, filled at once, keep the chart quick. */
      if (many) dots.forEach((path, s) => { c.fillStyle = hues[s]; c.fill(path); });
      c.restore();
      c.lineWidth = 2.5; c.strokeStyle = css("--plus"); c.fillStyle = css("--plus"); c.textAlign = "left"; c.font = "bold 14px system-ui, sans-serif";
      pins.forEach((k, n) => {
        if (!visible.includes(k) || xv[k] === null || yv[k] === null) return;
        c.beginPath(); c.arc(at.x(xv[k]), at.y(yv[k]), 13, 0, 7); c.stroke(); c.fillText(String(n + 1), at.x(xv[k]) + 14, at.y(yv[k]) - 8);
      });
      for (const own of mine) {
        if (own[x] === undefined || own[y] === undefined) continue;
        const px = at.x(own[x]), py = at.y(own[y]);
        c.beginPath(); c.moveTo(px - 9, py - 9); c.lineTo(px + 9, py + 9); c.moveTo(px + 9, py - 9); c.lineTo(px - 9, py + 9); c.stroke(); c.fillText(own.name, px + 12, py + 4);
      }
    };
    const nearest = (event) => {
      const frame = canvas.getBoundingClientRect(), px = event.clientX - frame.x, py = event.clientY - frame.y;
      let best = -1, least = 15 * 15;
      for (let i = 0; i < xs.length; i++) { const d = (xs[i] - px) ** 2 + (ys[i] - py) ** 2; if (d <= least) { least = d; best = i; } }
      return best < 0 ? null : { row: shownRows[best], x: xs[best], y: ys[best] };
    };
    let drag = null;
    canvas.addEventListener("mousemove", (event) => {
      if (drag) {
        const { view, width } = drag;
        const dx = (event.clientX - drag.x) / (width - box.left - box.right) * (view.x[1] - view.x[0]);
        const dy = (event.clientY - drag.y) / (box.height - box.top - box.bottom) * (view.y[1] - view.y[0]);
        if (Math.hypot(event.clientX - drag.x, event.clientY - drag.y) > 4) { drag.moved = true; window_ = { x: view.x.map((v) => v - dx), y: view.y.map((v) => v + dy) }; draw(); }
        return;
      }
      const hit = nearest(event);
      tip.hidden = !hit;
      if (hit) { look.tell(tip, hit.row); tip.style.left = `${Math.min(hit.x + 18, state.width - 230)}px`; tip.style.top = `${hit.y + 14}px`; }
    });
    canvas.addEventListener("mouseleave", () => { tip.hidden = true; drag = null; });
    canvas.addEventListener("mousedown", (event) => { drag = { x: event.clientX, y: event.clientY, view: state.view, width: state.width, moved: false }; });
    canvas.addEventListener("mouseup", (event) => {
      const moved = drag && drag.moved; drag = null;
      if (!moved) { const hit = nearest(event); if (hit) look.choose(hit.row); }
    });
    canvas.addEventListener("dblclick", () => { window_ = null; draw(); });
    canvas.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && !event.shiftKey) return;
      event.preventDefault();
      const frame = canvas.getBoundingClientRect(), factor = event.deltaY > 0 ? 1.2 : 1 / 1.2, view = state.view;
      const fx = (event.clientX - frame.x - box.left) / (state.width - box.left - box.right), fy = 1 - (event.clientY - frame.y - box.top) / (box.height - box.top - box.bottom);
      const zoomed = ([low, high], f) => { const at = low + f * (high - low); return [at - (at - low) * factor, at + (high - at) * factor]; };
      window_ = { x: zoomed(view.x, fx), y: zoomed(view.y, fy) }; draw();
    }, { passive: false });
    return { draw, points: () => shownRows.length, spot: (i) => ({ x: xs[i], y: ys[i], row: shownRows[i] }) };
  };

  const lines = (canvas, look) => {
    const box = { left: 60, right: 60, top: 30, bottom: 40, height: 320 };
    let state = null, heights = [];
    const draw = (next) => {
      if (next) state = next;
      const { names, visible, pins } = state;
      const [c, width] = sized(canvas, box.height);
      const x = names.map((_, i) => box.left + i * (width - box.left - box.right) / Math.max(names.length - 1, 1));
      const y = (h) => box.height - box.bottom - h * (box.height - box.top - box.bottom);
      heights = heights.length === names.length && state.same ? heights : names.map((name) => look.heights(name));
      const path = (k) => { for (let i = 0; i < names.length; i++) c[i ? "lineTo" : "moveTo"](x[i], y(heights[i][k])); };
      const hues = look.colours(), bySeries = hues.map(() => []);
      for (const k of visible) bySeries[look.series(k)].push(k);
      c.globalAlpha = Math.max(0.06, Math.min(0.5, 60 / Math.max(visible.length, 1)));
      bySeries.forEach((rows, s) => { c.strokeStyle = hues[s]; c.lineWidth = 1.2; c.beginPath(); rows.forEach(path); c.stroke(); });
      c.globalAlpha = 1; c.lineWidth = 3.5;
      pins.forEach((k) => { c.strokeStyle = hues[look.series(k)]; c.beginPath(); path(k); c.stroke(); });
      names.forEach((name, i) => {
        c.strokeStyle = css("--ink"); c.lineWidth = 1.2; c.beginPath(); c.moveTo(x[i], y(0)); c.lineTo(x[i], y(1)); c.stroke();
        c.textAlign = "center"; c.fillStyle = css("--soft");
        const [worst, best] = look.ends(name);
        c.fillText(best, x[i], y(1) - 8); c.fillText(worst, x[i], y(0) + 15);
        // Labels of the outer axes end where the picture does.
        const half = c.measureText(look.label(name)).width / 2 + 2;
        c.fillStyle = css("--ink"); c.fillText(look.label(name), Math.min(Math.max(x[i], half), width - half), box.height - 6);
      });
    };
    return { draw };
  };
  return { scatter, lines, glyph, css };
})();
