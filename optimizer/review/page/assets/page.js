"use strict";
(() => {
  const data = JSON.parse(document.getElementById("front-data").textContent);
  const total = data.ids.length;
  const $ = (id) => document.getElementById(id);
  const body = document.querySelector("#front-table tbody");
  const rows = body ? [...body.rows] : [];
  const meta = new Map(data.columns.map((c) => [c.name, c]));
  const label = (name) => { const c = meta.get(name); return c.unit ? `${c.label} [${c.unit}]` : c.label; };
  const shown = (name, value) => {
    if (value === null || value === undefined) return "–";
    return typeof value === "number" ? value.toFixed(meta.get(name).decimals) : String(value);
  };
  const cells = [...new Set(data.values.cell_id)].sort();
  const MARKERS = ["circle", "square", "triangle", "diamond", "inverted_triangle", "hex", "star", "plus"];
  const HUES = ["#1c5d94", "#b8441a", "#3c7d5a", "#7a4f9a", "#8a6d1f", "#59666e", "#a33b63", "#2f8aa0"];
  const RAMP = data.ramp;
  const pinned = [];
  let visible = data.ids.map((_, k) => k);
  let scatter = null, parallel = null;

  const span = (name) => {
    const v = data.values[name].filter((x) => x !== null);
    return v.length ? [Math.min(...v), Math.max(...v)] : [0, 1];
  };
  const share = (name, value) => {
    const [low, high] = span(name);
    return value === null ? 0 : high > low ? (value - low) / (high - low) : 0.5;
  };

  /* ---- scatter ------------------------------------------------------------------------------------ */
  const axisChoice = () => ({ x: $("axis-x").value, y: $("axis-y").value, size: $("axis-size").value, colour: $("axis-colour").value });

  const scatterData = (choice) => {
    const out = { x: [], y: [], size: [], colour: [], marker: [], id: [], tip: [], index: [] };
    const order = [...visible].sort((a, b) => share(choice.size, data.values[choice.size][b]) - share(choice.size, data.values[choice.size][a]));
    for (const k of order) {
      if (data.values[choice.x][k] === null || data.values[choice.y][k] === null) continue;
      out.x.push(data.values[choice.x][k]);
      out.y.push(data.values[choice.y][k]);
      out.size.push(6 + 15 * Math.sqrt(share(choice.size, data.values[choice.size][k])));
      out.colour.push(data.values[choice.colour][k] ?? NaN);
      out.marker.push(MARKERS[cells.indexOf(data.values.cell_id[k]) % MARKERS.length]);
      out.id.push(data.ids[k]);
      out.tip.push(data.packs[k]);
      out.index.push(k);
      for (const c of data.hover) (out[`h_${c}`] ??= []).push(`${shown(c, data.values[c][k])} ${meta.get(c).unit}`);
    }
    for (const c of data.hover) out[`h_${c}`] ??= [];
    return out;
  };

  const style = (figure) => {
    figure.background_fill_color = "#ffffff"; figure.border_fill_color = "#ffffff"; figure.outline_line_color = null;
    for (const axis of [...figure.xaxes ?? [figure.xaxis], ...figure.yaxes ?? [figure.yaxis]].flat()) {
      axis.axis_label_text_font_style = "normal"; axis.axis_label_text_color = "#1f2e38";
      axis.major_label_text_color = "#59666e"; axis.axis_line_color = "#59666e"; axis.minor_tick_line_color = null;
      axis.major_tick_line_color = "#59666e";
    }
    for (const grid of [figure.xgrid, figure.ygrid].flat()) grid.grid_line_color = "#e4dfd2";
  };

  const drawScatter = () => {
    const choice = axisChoice();
    const P = Bokeh.Plotting;
    const figure = P.figure({ height: 460, sizing_mode: "stretch_width", tools: "pan,wheel_zoom,box_zoom,reset,save,tap", toolbar_location: "above", output_backend: "canvas" });
    figure.toolbar.logo = null;
    const source = new Bokeh.ColumnDataSource({ data: scatterData(choice) });
    const [low, high] = span(choice.colour);
    const mapper = new Bokeh.LinearColorMapper({ palette: RAMP, low, high: high > low ? high : low + 1, nan_color: "#ffffff" });
    const marks = figure.scatter({ field: "x" }, { field: "y" }, {
      source, size: { field: "size" }, marker: { field: "marker" }, fill_color: { field: "colour", transform: mapper },
      line_color: "#1f2e38", line_width: 0.8, fill_alpha: 0.95,
      nonselection_fill_alpha: 0.95, nonselection_line_alpha: 1, hover_line_color: "#b8441a",
    });
    const rings = new Bokeh.ColumnDataSource({ data: { x: [], y: [], text: [] } });
    figure.scatter({ field: "x" }, { field: "y" }, { source: rings, size: 26, marker: "circle", fill_color: null, line_color: "#b8441a", line_width: 2.5 });
    figure.text({ field: "x" }, { field: "y" }, { field: "text" }, { source: rings, x_offset: 13, y_offset: -8, text_color: "#b8441a", text_font_size: "13px", text_font_style: "bold" });
    figure.add_tools(new Bokeh.HoverTool({ renderers: [marks], tooltips: [["design", "@id"], ["pack", "@tip"], ...data.hover.map((c) => [meta.get(c).label, `@h_${c}`])] }));
    figure.add_layout(new Bokeh.ColorBar({ color_mapper: mapper, width: 10, major_label_text_color: "#59666e" }), "right");
    figure.title.text = `colour: ${label(choice.colour)}; size: ${label(choice.size)}; shape: cell`;
    figure.title.text_font_style = "normal"; figure.title.text_color = "#59666e"; figure.title.text_font_size = "13px";
    figure.xaxis.axis_label = label(choice.x); figure.yaxis.axis_label = label(choice.y);
    style(figure);
    source.selected.properties.indices.change.connect(() => {
      const hit = source.selected.indices.map((i) => source.data.id[i]);
      if (hit.length) { toggle(hit[0]); source.selected.indices = []; }
    });
    $("scatter").replaceChildren();
    scatter = { figure, source, rings, mapper, choice, view: null };
    ringPins();
    const own = scatter;
    return P.show(figure, $("scatter")).then((view) => { own.view = view; });
  };

  const ringPins = () => {
    const { x, y } = scatter.choice;
    const out = { x: [], y: [], text: [] };
    pinned.forEach((id, n) => {
      const k = data.ids.indexOf(id);
      if (!visible.includes(k)) return;
      out.x.push(data.values[x][k]); out.y.push(data.values[y][k]); out.text.push(String(n + 1));
    });
    scatter.rings.data = out;
  };

  /* ---- parallel coordinates ----------------------------------------------------------------------- */
  const height = (name, value) => (data.lessIsBetter.includes(name) ? 1 - share(name, value) : share(name, value));
  const parallelData = (list) => ({
    xs: list.map(() => data.parallel.map((_, i) => i)),
    ys: list.map((k) => data.parallel.map((c) => height(c, data.values[c][k]))),
    colour: list.map((k) => HUES[cells.indexOf(data.values.cell_id[k]) % HUES.length]),
    id: list.map((k) => data.ids[k]), tip: list.map((k) => data.packs[k]),
  });

  const drawParallel = () => {
    const P = Bokeh.Plotting;
    const last = data.parallel.length - 1;
    const figure = P.figure({ height: 330, sizing_mode: "stretch_width", tools: "tap,reset,save", toolbar_location: null, x_range: [-0.35, last + 0.35], y_range: [-0.14, 1.14] });
    const source = new Bokeh.ColumnDataSource({ data: parallelData(visible) });
    const strong = new Bokeh.ColumnDataSource({ data: parallelData([]) });
    const lines = figure.multi_line({ field: "xs" }, { field: "ys" }, { source, line_color: { field: "colour" }, line_width: 1.3, line_alpha: 0.45, hover_line_alpha: 1, hover_line_color: "#1f2e38", nonselection_line_alpha: 0.45, selection_line_alpha: 0.45 });
    figure.multi_line({ field: "xs" }, { field: "ys" }, { source: strong, line_color: { field: "colour" }, line_width: 4 });
    data.parallel.forEach((name, i) => {
      const [low, high] = span(name);
      const ends = data.lessIsBetter.includes(name) ? [high, low] : [low, high];
      figure.line([i, i], [0, 1], { line_color: "#1f2e38", line_width: 1.2 });
      figure.text([i, i], [-0.03, 1.03], [shown(name, ends[0]), shown(name, ends[1])].map(String), { text_align: "center", text_baseline: "middle", text_font_size: "12px", text_color: "#59666e", y_offset: { value: 0 } });
    });
    figure.add_tools(new Bokeh.HoverTool({ renderers: [lines], line_policy: "interp", tooltips: [["design", "@id"], ["pack", "@tip"]] }));
    const ticks = data.parallel.map((_, i) => i);
    figure.xaxis.ticker = new Bokeh.FixedTicker({ ticks });
    figure.xaxis.major_label_overrides = new Map(data.parallel.map((c, i) => [i, label(c)]));
    figure.yaxis.visible = false;
    style(figure);
    for (const grid of [figure.xgrid, figure.ygrid].flat()) grid.visible = false;
    figure.xaxis.major_label_text_color = "#1f2e38"; figure.xaxis.major_label_text_font_size = "13px"; figure.xaxis.axis_line_color = null; figure.xaxis.major_tick_line_color = null;
    source.selected.properties.indices.change.connect(() => {
      const hit = source.selected.indices.map((i) => source.data.id[i]);
      if (hit.length) { toggle(hit[0]); source.selected.indices = []; }
    });
    $("parallel").replaceChildren();
    parallel = { figure, source, strong };
    const own = parallel;
    return P.show(figure, $("parallel")).then((view) => { own.view = view; });
  };

  /* ---- filters ------------------------------------------------------------------------------------ */
  const filter = () => {
    const on = new Set([...document.querySelectorAll("input[data-cell]:checked")].map((box) => box.dataset.cell));
    const limits = [...document.querySelectorAll("input[data-limit]")].filter((input) => input.value.trim() !== "" && input.validity.valid)
      .map((input) => [input.dataset.limit, input.dataset.side, Number(input.value)]);
    const passes = (k) => on.has(String(data.values.cell_id[k])) && limits.every(([name, side, value]) => {
      const own = data.values[name][k];
      return own !== null && (side === "least" ? own >= value : own <= value);
    });
    visible = data.ids.map((_, k) => k).filter(passes);
    const seen = new Set(visible);
    rows.forEach((row) => { row.hidden = !seen.has(Number(row.dataset.row)); });
    $("shown").textContent = `${visible.length} of ${total} designs shown`;
    if (scatter) { scatter.source.data = scatterData(scatter.choice); ringPins(); }
    if (parallel) parallel.source.data = parallelData(visible);
  };

  /* ---- pins --------------------------------------------------------------------------------------- */
  const toggle = (id) => {
    const at = pinned.indexOf(id);
    if (at >= 0) pinned.splice(at, 1); else pinned.push(id);
    if (pinned.length > 6) pinned.shift();
    rows.forEach((row) => {
      const on = pinned.includes(row.dataset.id);
      row.classList.toggle("picked", on);
      const button = row.querySelector("button");
      button.setAttribute("aria-pressed", String(on));
    });
    drawPins();
    if (scatter) ringPins();
    if (parallel) parallel.strong.data = parallelData(pinned.map((p) => data.ids.indexOf(p)));
  };

  const element = (name, text, attributes = {}) => {
    const node = document.createElement(name);
    if (text !== undefined) node.textContent = text;
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    return node;
  };

  const drawPins = () => {
    const box = $("pins");
    if (!pinned.length) { box.replaceChildren(element("p", "Nothing is pinned. Click a mark or a line, or press Pin in the table.")); return; }
    const table = element("table");
    table.append(element("caption", "Pinned designs, numbered as in the chart; the best of each line is bold"));
    const head = table.createTHead().insertRow();
    head.append(element("th", "", { scope: "col" }));
    const list = pinned.map((id) => data.ids.indexOf(id));
    pinned.forEach((id, n) => {
      const cell = element("th", `${n + 1}. ${id} `, { scope: "col", class: "n" });
      if (document.getElementById(`design-${id}`)) cell.append(element("a", "↓ details", { href: `#design-${encodeURIComponent(id)}` }));
      const off = element("button", "unpin", { type: "button", "aria-label": `unpin ${id}` });
      off.addEventListener("click", () => toggle(id));
      cell.append(" ", off);
      head.append(cell);
    });
    const bodyRows = table.createTBody();
    for (const column of data.columns) {
      if (column.name === "design_id") continue;
      const line = bodyRows.insertRow();
      line.append(element("th", label(column.name), { scope: "row" }));
      const own = list.map((k) => data.values[column.name][k]);
      const better = data.lessIsBetter.includes(column.name) ? Math.min : data.moreIsBetter.includes(column.name) ? Math.max : null;
      const best = better && own.every((v) => typeof v === "number") ? better(...own) : null;
      for (const value of own) {
        const cell = element("td", undefined, { class: "n" });
        cell.append(best !== null && value === best && list.length > 1 ? element("b", shown(column.name, value)) : shown(column.name, value));
        line.append(cell);
      }
    }
    box.replaceChildren(table);
  };

  /* ---- table -------------------------------------------------------------------------------------- */
  const sortBy = (header) => {
    const name = header.dataset.column;
    const rising = header.getAttribute("aria-sort") !== "ascending";
    document.querySelectorAll("#front-table th[aria-sort]").forEach((other) => other.removeAttribute("aria-sort"));
    header.setAttribute("aria-sort", rising ? "ascending" : "descending");
    const value = (row) => (name === "design_id" ? row.dataset.id : data.values[name][Number(row.dataset.row)]);
    const collator = new Intl.Collator("en", { numeric: true });
    rows.sort((a, b) => {
      const [u, v] = [value(a), value(b)];
      if (u === v) return 0;
      if (u === null) return 1;
      if (v === null) return -1;
      const order = typeof u === "number" ? u - v : collator.compare(u, v);
      return rising ? order : -order;
    });
    body.append(...rows);
  };

  const GLYPHS = "●■▲◆▼⬢★✚";
  const start = () => {
    document.querySelectorAll("[data-glyph]").forEach((mark) => {
      const n = cells.indexOf(mark.dataset.glyph);
      mark.textContent = [...GLYPHS][n % GLYPHS.length]; mark.style.color = HUES[n % HUES.length];
    });
    document.querySelectorAll("#front-table th[data-column] button").forEach((button) => button.addEventListener("click", () => sortBy(button.closest("th"))));
    rows.forEach((row) => row.querySelector("button").addEventListener("click", () => toggle(row.dataset.id)));
    document.querySelectorAll("[data-axis]").forEach((select) => select.addEventListener("change", drawScatter));
    document.querySelectorAll("input[data-cell], input[data-limit]").forEach((input) => input.addEventListener("input", filter));
    $("reset").addEventListener("click", () => {
      document.querySelectorAll("input[data-cell]").forEach((box) => { box.checked = true; });
      document.querySelectorAll("input[data-limit]").forEach((input) => { input.value = ""; });
      filter();
    });
    document.querySelectorAll("button.larger").forEach((button) => button.addEventListener("click", () => {
      const large = button.parentElement.previousElementSibling.classList.toggle("large");
      button.setAttribute("aria-pressed", String(large));
    }));
    window.addEventListener("beforeprint", () => {
      document.querySelectorAll("details").forEach((d) => { d.open = true; });
      for (const [name, chart] of [["scatter", scatter], ["parallel", parallel]]) {
        if (!chart || !chart.view) continue;
        const copy = chart.view.export("png", true).canvas;
        copy.className = "paper";
        $(name).append(copy);
        $(name).classList.add("copied");
      }
    });
    window.addEventListener("afterprint", () => {
      document.querySelectorAll(".paper").forEach((copy) => copy.remove());
      document.querySelectorAll(".copied").forEach((box) => box.classList.remove("copied"));
    });
    const drawn = total ? [drawScatter(), drawParallel()] : [];
    filter(); drawPins();
    data.picked.slice(0, 3).forEach(toggle);
    Promise.all(drawn).then(() => { document.documentElement.dataset.ready = "yes"; });
  };
  window.cellstow = { state: () => ({ pinned: [...pinned], visible: visible.length, axes: scatter && scatter.choice, points: scatter ? scatter.source.data.x.length : 0, label: scatter && scatter.figure.below[0].axis_label }), chart: () => scatter };
  start();
})();
