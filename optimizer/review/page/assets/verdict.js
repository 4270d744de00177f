/* The verdict in words, as review/verdict_words.py says it. */
"use strict";
const Verdict = (() => {
  const SMALL = 0.01;
  const groups = (split) => [...String(split ?? "").matchAll(/(\S.*?):(\d+)(?=\s|$)/g)].map((m) => [m[1], Number(m[2])]).filter(([, n]) => n);
  const place = (data, k) => groups(data.values.split && data.values.split[k]).map(([name, n]) => `${name} ${n}`).join(", ");

  const make = (data) => {
    const column = new Map(data.columns.map((c) => [c.name, c]));
    const better = (name, amount) => (amount > 0) !== data.lessIsBetter.includes(name);
    const quantity = (name, value) => `${value.toFixed(column.get(name).decimals)} ${column.get(name).unit}`.trim();
    const plain = ["range_km", "pack_mass_kg", "cost"];

    const changes = (pick, other) => {
      const found = [];
      for (const name of new Set([...data.objectives, "charge_min"])) {
        const list = data.values[name];
        if (!list || list[pick] === null || list[other] === null) continue;
        const amount = list[other] - list[pick];
        if (Math.abs(amount) > SMALL * Math.abs(list[pick])) found.push({ name, amount, better: better(name, amount) });
      }
      // Zones of one compartment are one box.
      const count = (k) => new Set(groups(data.values.split[k]).map(([name]) => name.replace(/ zone [23]$/, ""))).size;
      const boxes = data.values.split ? count(other) - count(pick) : 0;
      if (boxes) found.push({ name: "boxes", amount: boxes, better: boxes < 0 });
      return found;
    };
    const amountWords = ({ name, amount }) => {
      if (name === "boxes") {
        if (amount === 1) return "a second box";
        if (amount === 2) return "two more boxes";
        return amount > 0 ? `${amount} more boxes` : `${-amount} box${amount < -1 ? "es" : ""} fewer`;
      }
      const { label, unit, decimals } = column.get(name);
      const size = Math.abs(amount);
      const text = size.toFixed(size >= 20 ? 0 : Math.min(decimals, size >= 1 ? 1 : 2));
      if (name === "charge_min") return `${text} min ${amount > 0 ? "more" : "less"} charging`;
      return `${amount > 0 ? "+" : "−"}${text} ${unit}`.trim() + (plain.includes(name) ? "" : ` ${label}`);
    };
    const switchWords = (pick, other) => {
      const all = changes(pick, other);
      const gains = all.filter((c) => c.better).map(amountWords), costs = all.filter((c) => !c.better).map(amountWords);
      if (!gains.length) return costs.length ? `differs by ${costs.join(", ")}` : "has the same figures";
      return `${gains.join(", ")} for ${costs.join(", ") || "nothing"}`;
    };
    const gives = (k) => data.objectives.map((name, i) => {
      const words = quantity(name, data.values[name][k]);
      if (i === 0 && name === "range_km") return `${words} of range`;
      return plain.includes(name) ? words : `${words} ${column.get(name).label}`;
    }).join(", ");
    const weakest = (k) => {
      let found = null;
      for (const { name, bound, figure, side } of data.bounds) {
        const list = data.values[`margin_${name}`];
        if (!list || !bound) continue;
        const part = list[k] / Math.abs(bound);
        if (!found || part < found.part) found = { figure, side, part, amount: list[k] };
      }
      if (!found) return "";
      const { figure, side } = found;
      const known = column.get(figure);
      const amount = known ? quantity(figure, Math.abs(found.amount)) : String(Math.abs(found.amount));
      return `${known ? known.label : figure}, ${amount} ${side} its limit (${(100 * found.part).toFixed(1)} %)`;
    };
    const situations = (k) => data.situations.map(({ words, columns }) => `${words} ${columns.map(([name, base]) => {
      const told = quantity(base, data.values[name][k]);
      return base === "range_km" ? told : `${told} ${column.get(base).label}`;
    }).join(", ")}`).join("; ");
    const limits = (k) => [
      data.values.peak_limit && data.values.peak_limit[k] ? `peak power: ${data.values.peak_limit[k]}` : "",
      data.values.range_stop && data.values.range_stop[k] ? `range: ${data.values.range_stop[k]}` : "",
    ].filter(Boolean).join("; ");
    const ranking = (method, weights) => {
      const how = { topsis: "by closeness to the ideal pack and distance from the worst (TOPSIS)", weighted: "by the weighted mean of the losses against the best of each objective" }[method];
      const own = data.objectives.length, alike = weights.every((w, j) => w === (j < own ? weights[0] : 0));
      const words = alike ? "all objectives weigh alike" : data.criteria.map((name, j) => (j < own || weights[j] ? `${column.get(name).label} × ${weights[j]}` : "")).filter(Boolean).join(", ");
      return `Ranked ${how}; ${words}.`;
    };
    return { switchWords, gives, situations, weakest, limits, ranking, place: (k) => place(data, k) };
  };
  return { make };
})();
