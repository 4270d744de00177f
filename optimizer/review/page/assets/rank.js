/* Ranking of the front as the program does it (analysis/ranking.py), so that weights can be moved live. */
"use strict";
const Rank = (() => {
  /* Each objective's column with less as better. */
  const points = (data, names = data.objectives) => names.map((name) => {
    const sign = data.lessIsBetter.includes(name) ? 1 : -1;
    return Float64Array.from(data.values[name], (value) => (value === null ? NaN : sign * value));
  });
  const ends = (column) => {
    let low = Infinity, high = -Infinity;
    for (const value of column) { if (value < low) low = value; if (value > high) high = value; }
    return [low, high];
  };
  const normalised = (columns) => columns.map((column) => {
    const [low, high] = ends(column);
    return column.map((value) => (high > low ? (value - low) / (high - low) : 0));
  });
  const shares = (weights) => {
    const sum = weights.reduce((a, b) => a + b, 0);
    return weights.map((weight) => weight / sum);
  };
  const topsis = (columns, share) => {
    const n = columns[0].length, toBest = new Float64Array(n), toWorst = new Float64Array(n);
    columns.forEach((column, j) => {
      const length = Math.sqrt(column.reduce((sum, value) => sum + value * value, 0)) || 1;
      const [low, high] = ends(column);
      for (let k = 0; k < n; k++) {
        toBest[k] += ((column[k] - low) / length * share[j]) ** 2;
        toWorst[k] += ((column[k] - high) / length * share[j]) ** 2;
      }
    });
    return toBest.map((value, k) => {
      const best = Math.sqrt(value), worst = Math.sqrt(toWorst[k]);
      return best + worst > 0 ? worst / (best + worst) : 1;
    });
  };
  const weighted = (columns, share) => {
    const scaled = normalised(columns);
    return columns[0].map((_, k) => 1 - scaled.reduce((sum, column, j) => sum + share[j] * column[k], 0));
  };
  const METHODS = { topsis, weighted };

  /* Situations count where they are given a weight. */
  const merit = (data, method, weights) => {
    const used = [...data.criteria.keys()].filter((j) => weights[j] || data.objectives.includes(data.criteria[j]));
    return METHODS[method](points(data, used.map((j) => data.criteria[j])), shares(used.map((j) => weights[j])));
  };

  /* Made of: cell 0.5, counts 0.2 each, split 0.1; achieved: root mean square of the normalised objectives. */
  const apartFrom = (data, scaled, row) => {
    const { cell_id: cell, series, parallel, split } = data.values;
    const part = (list, k) => Math.abs(list[k] - list[row]) / Math.max(Math.abs(list[k]), Math.abs(list[row]), 1);
    return scaled[0].map((_, k) => {
      const made = (cell[k] !== cell[row] ? 0.5 : 0) + 0.2 * part(series, k) + 0.2 * part(parallel, k) + (split && split[k] !== split[row] ? 0.1 : 0);
      const achieved = scaled.reduce((sum, column) => sum + (column[k] - column[row]) ** 2, 0) / scaled.length;
      return 0.5 * made + 0.5 * Math.sqrt(achieved);
    });
  };

  /* Rows that are good and differ, the best first; `value` is the merit of every row. */
  const pick = (data, value, count) => {
    const n = value.length;
    if (!n) return [];
    const rounded = value.map((v) => Math.round(v * 1e12));
    const order = [...value.keys()].sort((a, b) => rounded[b] - rounded[a] || a - b);
    const scaled = normalised(points(data));
    const [low, high] = ends(value);
    const family = (k) => ["cell_id", "series", "parallel", "split"].map((name) => (data.values[name] ? data.values[name][k] : "")).join(" ");
    const families = [...value.keys()].map(family);
    const picked = [order[0]], closed = new Set([families[order[0]]]);
    let apart = apartFrom(data, scaled, order[0]);
    while (picked.length < count) {
      const open = order.filter((k) => !closed.has(families[k]));
      if (!open.length) break;
      let scale = 1e-12;
      for (const k of open) scale = Math.max(scale, apart[k]);
      let best = -1, most = -Infinity;
      for (const k of open) {
        const worth = 0.5 * (high > low ? (value[k] - low) / (high - low) : 1) + 0.5 * apart[k] / scale;
        if (worth > most) { most = worth; best = k; }
      }
      picked.push(best);
      closed.add(families[best]);
      const next = apartFrom(data, scaled, best);
      apart = apart.map((v, k) => Math.min(v, next[k]));
    }
    return picked;
  };
  return { merit, pick };
})();
