/* The page: state and controls; what they change is drawn by chart.js, table.js and verdict.js. */
"use strict";
(() => {
  const data = JSON.parse(document.getElementById("front-data").textContent);
  for (const [name, column] of Object.entries(data.values)) if (column.texts) data.values[name] = column.codes.map((c) => (c < 0 ? null : column.texts[c]));
  const total = data.ids.length;
  const $ = (id) => document.getElementById(id);
  const column = new Map(data.columns.map((c) => [c.name, c]));
  const rowOf = new Map(data.ids.map((id, k) => [id, k]));
  const label = (name) => { const c = column.get(name); return c.unit ? `${c.label} [${c.unit}]` : c.label; };
  const shown = (name, value) => (value === null || value === undefined ? "–" : typeof value === "number" ? value.toFixed(column.get(name).decimals) : String(value));
  const all = data.ids.map((_, k) => k);
  const numeric = data.columns.filter((c) => c.number).map((c) => c.name);
  const words = Verdict.make(data);
  const element = (name, text, attributes = {}) => {
    const node = document.createElement(name);
    if (text !== undefined) node.textContent = text;
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    return node;
  };

  /* ---- state, kept in the link ---------------------------------------------------------------------- */
  /* Objectives weigh alike, their figures in situations nothing, until somebody says otherwise. */
  const alike = () => data.criteria.map((name) => (data.objectives.includes(name) ? 1 : 0));
  const fresh = () => ({ method: "topsis", weights: alike(), x: data.axes[0], y: data.axes[1], size: data.axes[2], marks: "cell_id", off: [], limits: {}, pins: [...data.picked], sort: null, open: null });
  const state = fresh();
  const restore = () => {
    const asked = new URLSearchParams(location.hash.slice(1));
    if (!asked.has("m")) return;
    if (["topsis", "weighted"].includes(asked.get("m"))) state.method = asked.get("m");
    for (const pair of (asked.get("w") ?? "").split(",")) {
      const [name, value] = pair.split("="), j = data.criteria.indexOf(name);
      if (j >= 0 && Number(value) >= 0) state.weights[j] = Number(value);
    }
    if (!state.weights.some((w) => w > 0)) state.weights = alike();
    for (const key of ["x", "y", "size"]) if (numeric.includes(asked.get(key))) state[key] = asked.get(key);
    if (data.marks.includes(asked.get("marks"))) state.marks = asked.get("marks");
    state.off = asked.getAll("off");
    for (const [key, value] of asked) if (key.startsWith("l.") && value !== "" && Number.isFinite(Number(value))) state.limits[key.slice(2)] = Number(value);
    state.pins = asked.getAll("pin").filter((id) => rowOf.has(id));
    const [name, way] = (asked.get("sort") ?? "").split(" ");
    if (column.has(name)) state.sort = { name, rising: way !== "down" };
    if (rowOf.has(asked.get("open"))) state.open = asked.get("open");
  };
  const link = () => {
    const out = new URLSearchParams({ m: state.method, w: weightsText(), x: state.x, y: state.y, size: state.size, marks: state.marks });
    state.off.forEach((name) => out.append("off", name));
    for (const [name, value] of Object.entries(state.limits)) out.append(`l.${name}`, value);
    state.pins.forEach((id) => out.append("pin", id));
    if (state.sort) out.set("sort", `${state.sort.name} ${state.sort.rising ? "up" : "down"}`);
    if (state.open) out.set("open", state.open);
    history.replaceState(null, "", `#${out}`);
  };
  const weightsText = () => data.criteria.map((name, j) => [name, state.weights[j]]).filter(([name, w]) => w || data.objectives.includes(name)).map((pair) => pair.join("=")).join(",");

  /* ---- series: at most eight marks ------------------------------------------------------------------ */
  let series = [], names = [];
  const MOST = 8;
  const group = () => {
    const list = data.values[state.marks], count = new Map();
    for (const value of list) count.set(value, (count.get(value) ?? 0) + 1);
    const kept = [...count.keys()].sort((a, b) => count.get(b) - count.get(a) || String(a).localeCompare(String(b), "en", { numeric: true }));
    const own = kept.length > MOST ? kept.slice(0, MOST - 1) : kept;
    own.sort((a, b) => String(a).localeCompare(String(b), "en", { numeric: true }));
    names = kept.length > MOST ? [...own, null] : own;
    const place = new Map(own.map((name, i) => [name, i]));
    series = list.map((value) => place.get(value) ?? MOST - 1);
    const box = $("legend");
    box.replaceChildren(...names.map((name, s) => {
      const item = element("li"), canvas = element("canvas", undefined, { width: 36, height: 36, "aria-hidden": "true" });
      const context = canvas.getContext("2d");
      context.fillStyle = colours()[s]; context.strokeStyle = "transparent";
      Chart.glyph(context, s, 18, 18, 11);
      item.append(canvas, name === null ? `the other ${kept.length - own.length}` : String(name));
      return item;
    }));
  };
  const colours = () => Array.from({ length: MOST }, (_, s) => Chart.css(names[s] === null ? "--soft" : `--s${s + 1}`));

  /* ---- what is visible ------------------------------------------------------------------------------ */
  let visible = all;
  const filter = () => {
    const off = new Set(state.off), cells = data.values.cell_id;
    const limits = data.limits.filter(({ name }) => state.limits[name] !== undefined).map(({ name, side }) => [data.values[name], side === "least" ? 1 : -1, state.limits[name]]);
    visible = all.filter((k) => !off.has(cells[k]) && limits.every(([list, sign, value]) => list[k] !== null && sign * list[k] >= sign * value));
    $("shown").textContent = `${visible.length} of ${total} designs shown`;
  };
  const sorted = () => {
    if (!state.sort) return visible;
    const { name, rising } = state.sort, list = data.values[name], sign = rising ? 1 : -1;
    const collator = new Intl.Collator("en", { numeric: true });
    return [...visible].sort((a, b) => {
      const [u, v] = [list[a], list[b]];
      if (u === v) return a - b;
      if (u === null) return 1;
      if (v === null) return -1;
      return sign * (typeof u === "number" ? u - v : collator.compare(u, v));
    });
  };

  /* ---- charts --------------------------------------------------------------------------------------- */
  const spans = new Map();
  const span = (name) => {
    if (!spans.has(name)) {
      let low = Infinity, high = -Infinity;
      for (const v of data.values[name]) { if (v === null) continue; if (v < low) low = v; if (v > high) high = v; }
      spans.set(name, low > high ? [0, 1] : [low, high]);
    }
    return spans.get(name);
  };
  const lookCommon = { values: data.values, label, shown, series: (k) => series[k], colours };
  const tip = $("tip");
  const scatter = total ? Chart.scatter($("scatter-canvas"), tip, { ...lookCommon, choose: (k) => toggle(k), tell: (box, k) => {
    box.replaceChildren(element("b", data.names[k]), ...data.objectives.map((name) => element("div", `${column.get(name).label} ${shown(name, data.values[name][k])} ${column.get(name).unit}`)));
  } }) : null;
  const heights = new Map();
  const lines = total ? Chart.lines($("lines-canvas"), { ...lookCommon,
    heights: (name) => {
      if (!heights.has(name)) {
        const [low, high] = span(name), less = data.lessIsBetter.includes(name);
        heights.set(name, Float64Array.from(data.values[name], (v) => { const s = v === null ? 0 : high > low ? (v - low) / (high - low) : 0.5; return less ? 1 - s : s; }));
      }
      return heights.get(name);
    },
    ends: (name) => { const [low, high] = span(name); return (data.lessIsBetter.includes(name) ? [high, low] : [low, high]).map((v) => shown(name, v)); },
  }) : null;
  const pinRows = () => state.pins.map((id) => rowOf.get(id));
  const drawCharts = () => {
    if (!total) return;
    scatter.draw({ x: state.x, y: state.y, size: state.size, visible, all, pins: pinRows(), mine: data.mine });
    lines.draw({ names: data.parallel, visible, pins: pinRows() });
  };

  /* ---- verdict -------------------------------------------------------------------------------------- */
  let merit = null;
  const place = (k) => { const where = words.place(k); return where ? ` (${where})` : ""; };
  const drawVerdict = () => {
    if (!total) return;
    merit = Rank.merit(data, state.method, state.weights);
    const [pick, ...others] = Rank.pick(data, merit, 3);
    const line = (word, text) => { const row = element("div"); row.append(element("dt", word), element("dd", text)); return row; };
    const named = (k) => { const head = element("button", data.names[k], { type: "button", class: "link" }); head.addEventListener("click", () => open(k)); return head; };
    const head = element("p", "", { class: "pick" });
    head.append(named(pick), `${place(pick)}`);
    const facts = element("dl", undefined, { class: "lines" });
    facts.append(line("gives", words.gives(pick)));
    if (words.situations(pick)) facts.append(line("in situations", words.situations(pick)));
    if (words.limits(pick)) facts.append(line("limited by", words.limits(pick)));
    if (words.weakest(pick)) facts.append(line("weakest margin", words.weakest(pick)));
    const list = element("ul", undefined, { class: "others" });
    for (const k of others) { const item = element("li"); item.append("Or ", named(k), `${place(k)}: ${words.switchWords(pick, k)}.`); list.append(item); }
    $("verdict-words").replaceChildren(head, facts, list, element("p", words.ranking(state.method, state.weights), { class: "soft" }));
    const own = String(state.weights) === String(alike()) ? "" : ` --weights ${weightsText()}`;
    $("verdict-command").textContent = `cellstow shortlist ${data.run}${state.method === "topsis" ? "" : ` --method ${state.method}`}${own}`;
    $("verdict-command").dataset.pick = data.ids[pick];
  };

  /* ---- pins ----------------------------------------------------------------------------------------- */
  const toggle = (k) => {
    const id = data.ids[k], at = state.pins.indexOf(id);
    if (at >= 0) state.pins.splice(at, 1); else state.pins.push(id);
    drawPins(); drawCharts(); table && table.mark(); link();
  };
  const drawPins = () => {
    const box = $("pins");
    const mine = data.mine.map((own) => ({ head: own.name, value: (name) => own[name], id: null }));
    const list = [...mine, ...pinRows().map((k, n) => ({ head: `${n + 1}. ${data.names[k]}`, value: (name) => data.values[name][k], id: data.ids[k], k }))];
    if (!list.length) { box.replaceChildren(element("p", "Nothing is pinned. Click a mark, or press Pin in the table.")); return; }
    const grid = element("table");
    grid.append(element("caption", "Pinned designs, numbered as in the chart; the best of each line is bold"));
    const head = grid.createTHead().insertRow();
    head.append(element("td", ""));
    for (const one of list) {
      const cell = element("th", one.head, { scope: "col", class: "n" });
      if (one.id !== null) {
        cell.append(element("small", one.id));
        const off = element("button", "unpin", { type: "button", "aria-label": `unpin ${one.id}` });
        off.addEventListener("click", () => toggle(one.k));
        cell.append(off);
      }
      head.append(cell);
    }
    const body = grid.createTBody();
    for (const { name } of data.columns) {
      if (name === "design_id" || name.startsWith("margin_")) continue;
      const row = body.insertRow();
      row.append(element("th", label(name), { scope: "row" }));
      const own = list.map((one) => one.value(name) ?? null);
      const better = data.lessIsBetter.includes(name) ? Math.min : data.moreIsBetter.includes(name) ? Math.max : null;
      const best = better && own.every((v) => typeof v === "number") ? better(...own) : null;
      own.forEach((value, i) => {
        const cell = element("td", undefined, { class: "n" });
        cell.append(best !== null && value === best && list.length > 1 ? element("b", shown(name, value)) : shown(name, value));
        if (data.mine.length && i && typeof value === "number" && typeof own[0] === "number" && value !== own[0]) {
          const less = value - own[0];
          cell.append(element("small", `${less > 0 ? "+" : "−"}${Math.abs(less).toFixed(column.get(name).decimals)}`));
        }
        row.append(cell);
      });
    }
    box.replaceChildren(grid);
  };
  const exportPins = () => {
    const quote = (v) => (v === null || v === undefined ? "" : /[",\n]/.test(String(v)) ? `"${String(v).replaceAll('"', '""')}"` : /^[=+@-]/.test(String(v)) && typeof v !== "number" ? `'${v}` : String(v));
    const heads = data.columns.map((c) => c.name);
    const text = [["name", ...heads], ...pinRows().map((k) => [data.names[k], ...heads.map((name) => data.values[name][k])])].map((line) => line.map(quote).join(",")).join("\n") + "\n";
    const anchor = element("a", undefined, { href: `data:text/csv;charset=utf-8,${encodeURIComponent(text)}`, download: "pins.csv" });
    document.body.append(anchor); anchor.click(); anchor.remove();
    return text;
  };

  /* ---- one design, opened --------------------------------------------------------------------------- */
  const open = (k) => { state.open = k === null ? null : data.ids[k]; drawOpen(); link(); if (k !== null) { $("one").scrollIntoView({ block: "start" }); $("one").focus({ preventScroll: true }); } };
  const drawOpen = () => {
    const box = $("one-body");
    $("one-box").hidden = state.open === null;
    if (state.open === null) return;
    const k = rowOf.get(state.open);
    $("one").textContent = `${data.names[k]} (${data.ids[k]})`;
    const facts = element("dl", undefined, { class: "facts" });
    for (const { name } of data.columns) {
      if (name === "design_id" || data.values[name][k] === null) continue;
      const item = element("div");
      item.append(element("dt", label(name)), element("dd", shown(name, data.values[name][k])));
      facts.append(item);
    }
    const full = document.getElementById(`design-${encodeURIComponent(state.open)}`);
    const how = element("p");
    if (full) how.append("It is shown in full ", element("a", "further down", { href: `#${full.id}` }), ".");
    else if (data.run) how.append("Drawings, cut list, harness, bill and build sheet are made by: ", element("code", `cellstow shortlist ${data.run} ${[...new Set([...data.picked.filter((id) => document.getElementById(`design-${encodeURIComponent(id)}`)), state.open])].map((id) => `--design ${id}`).join(" ")} && cellstow report ${data.run}`));
    box.replaceChildren(how, facts);
    if (full) followLinks(box);
  };

  /* ---- controls ------------------------------------------------------------------------------------- */
  let table = null;
  const refresh = () => { filter(); drawCharts(); table && table.show(sorted()); link(); };
  const sortBy = (name) => {
    state.sort = { name, rising: !(state.sort && state.sort.name === name && state.sort.rising) };
    marksOfSort(); table.show(sorted()); link();
  };
  const marksOfSort = () => document.querySelectorAll("#front-table th[data-column]").forEach((head) => {
    if (state.sort && head.dataset.column === state.sort.name) head.setAttribute("aria-sort", state.sort.rising ? "ascending" : "descending"); else head.removeAttribute("aria-sort");
  });
  const followLinks = (box) => box.querySelectorAll("a[href^='#']").forEach((anchor) => anchor.addEventListener("click", (event) => {
    /* The link's end holds the state, so anchors scroll without it. */
    const target = document.getElementById(decodeURIComponent(anchor.getAttribute("href").slice(1)));
    if (!target) return;
    event.preventDefault();
    target.scrollIntoView({ block: "start" });
    if (target.tabIndex < 0) target.tabIndex = -1;
    target.focus({ preventScroll: true });
  }));
  const setControls = () => {
    $("method").value = state.method;
    data.criteria.forEach((name, j) => { const slider = document.querySelector(`[data-weight="${name}"]`); slider.value = state.weights[j]; slider.nextElementSibling.textContent = state.weights[j]; });
    for (const key of ["x", "y", "size", "marks"]) $(`axis-${key}`).value = state[key];
    for (const option of $("cells").options) option.selected = !state.off.includes(option.value);
    document.querySelectorAll("[data-limit]").forEach((input) => { input.value = state.limits[input.dataset.limit] ?? ""; });
    marksOfSort();
  };
  const wire = () => {
    $("method").addEventListener("change", (event) => { state.method = event.target.value; drawVerdict(); link(); });
    document.querySelectorAll("[data-weight]").forEach((slider) => slider.addEventListener("input", () => {
      const j = data.criteria.indexOf(slider.dataset.weight);
      state.weights[j] = Number(slider.value);
      if (!state.weights.some((w) => w > 0)) { state.weights[j] = 0.25; slider.value = 0.25; }
      slider.nextElementSibling.textContent = state.weights[j];
      drawVerdict(); link();
    }));
    for (const key of ["x", "y", "size", "marks"]) $(`axis-${key}`).addEventListener("change", (event) => { state[key] = event.target.value; if (key === "marks") group(); drawCharts(); link(); });
    $("cells").addEventListener("change", () => { state.off = [...$("cells").options].filter((o) => !o.selected).map((o) => o.value); refresh(); });
    document.querySelectorAll("[data-limit]").forEach((input) => input.addEventListener("input", () => {
      const { limit: name } = input.dataset;
      if (input.value.trim() !== "" && input.validity.valid) state.limits[name] = Number(input.value); else delete state.limits[name];
      refresh();
    }));
    $("reset").addEventListener("click", () => { state.off = []; state.limits = {}; setControls(); refresh(); });
    $("alike").addEventListener("click", () => { state.weights = alike(); state.method = "topsis"; setControls(); drawVerdict(); link(); });
    $("export").addEventListener("click", exportPins);
    $("close").addEventListener("click", () => open(null));
    document.querySelectorAll("#front-table th[data-column] button").forEach((button) => button.addEventListener("click", () => sortBy(button.closest("th").dataset.column)));
    let width = window.innerWidth;
    window.addEventListener("resize", () => { if (window.innerWidth !== width) { width = window.innerWidth; drawCharts(); } });
    window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { group(); drawCharts(); });
  };
  const start = () => {
    document.querySelectorAll("button.larger").forEach((button) => button.addEventListener("click", () => {
      const large = button.parentElement.previousElementSibling.classList.toggle("large");
      button.setAttribute("aria-pressed", String(large));
    }));
    document.querySelectorAll("button.copy").forEach((button) => button.addEventListener("click", () => {
      const range = document.createRange();
      range.selectNodeContents($(button.dataset.of));
      const chosen = window.getSelection();
      chosen.removeAllRanges(); chosen.addRange(range);
      if (document.execCommand("copy")) button.textContent = "Copied";
    }));
    followLinks(document);
    Picture.start();
    if (total) {
      restore();
      table = FrontTable.make($("front-table"), {
        id: (k) => data.ids[k], name: (k) => data.names[k], pinned: (k) => state.pins.includes(data.ids[k]), pin: toggle, open,
        cells: (k) => data.table.map((name) => [name === "design_id" ? data.names[k] : shown(name, data.values[name][k]), column.get(name).number]),
      });
      wire(); setControls(); group(); filter(); drawVerdict(); drawCharts(); table.show(sorted()); drawPins(); drawOpen();
    }
    window.cellstow.ready_ms = performance.now();
    document.documentElement.dataset.ready = "yes";
  };
  window.cellstow = {
    state: () => ({ ...state, visible: visible.length, points: scatter ? scatter.points() : 0, pick: total ? $("verdict-command").dataset.pick : null }),
    spot: (i) => scatter.spot(i), row: (id) => rowOf.get(id), csv: exportPins, label,
  };
  start();
})();
