/* The front as a table: only the rows in sight are in the page, so that ten thousand sort and scroll at once. */
"use strict";
const FrontTable = (() => {
  const ROW = 31, SPARE = 12;
  /* look: { total, id(k), name(k), cells(k) → [[text, isNumber]], pinned(k), pin(k), open(k) } */
  const make = (box, look) => {
    const table = box.querySelector("table"), body = table.tBodies[0];
    const spacers = [0, 1].map(() => { const row = document.createElement("tr"); row.setAttribute("aria-hidden", "true"); row.className = "spacer"; row.append(document.createElement("td")); return row; });
    let order = [], active = 0, drawn = [-1, -1];
    const line = (place) => {
      const k = order[place], row = document.createElement("tr");
      row.dataset.id = look.id(k); row.dataset.place = place;
      row.setAttribute("aria-rowindex", place + 2);
      if (look.pinned(k)) row.className = "picked";
      const head = row.insertCell();
      for (const [word, act, pressed] of [["Pin", look.pin, look.pinned(k)], ["Open", look.open, null]]) {
        const button = document.createElement("button");
        button.type = "button"; button.textContent = word;
        button.setAttribute("aria-label", `${word} ${look.name(k)}`);
        if (pressed !== null) button.setAttribute("aria-pressed", String(pressed));
        /* One stop for the keyboard; arrows move between rows. */
        button.tabIndex = place === active && word === "Pin" ? 0 : -1;
        button.addEventListener("click", () => { active = place; act(k); });
        head.append(button, " ");
      }
      look.cells(k).forEach(([text, number], i) => {
        const cell = document.createElement(i ? "td" : "th");
        if (!i) cell.scope = "row";
        if (number) cell.className = "n";
        cell.textContent = text;
        row.append(cell);
      });
      return row;
    };
    const draw = (force) => {
      const first = Math.max(0, Math.floor(box.scrollTop / ROW) - SPARE);
      const last = Math.min(order.length, Math.ceil((box.scrollTop + box.clientHeight) / ROW) + SPARE);
      if (!force && first === drawn[0] && last === drawn[1]) return;
      const focus = body.contains(document.activeElement) ? document.activeElement.textContent : null;
      drawn = [first, last];
      spacers[0].style.height = `${first * ROW}px`;
      spacers[1].style.height = `${(order.length - last) * ROW}px`;
      const rows = [];
      for (let place = first; place < last; place++) rows.push(line(place));
      body.replaceChildren(spacers[0], ...rows, spacers[1]);
      if (focus !== null) focusOn(focus);
    };
    const focusOn = (word) => {
      const row = body.querySelector(`tr[data-place="${active}"]`);
      const button = row && [...row.querySelectorAll("button")].find((b) => b.textContent === word);
      if (button) button.focus({ preventScroll: true });
    };
    box.addEventListener("scroll", () => draw(false), { passive: true });
    body.addEventListener("keydown", (event) => {
      const jump = { ArrowDown: 1, ArrowUp: -1, PageDown: 12, PageUp: -12, Home: -Infinity, End: Infinity }[event.key];
      const side = { ArrowRight: "Open", ArrowLeft: "Pin" }[event.key];
      if (jump === undefined && !side) return;
      event.preventDefault();
      const word = side ?? document.activeElement.textContent;
      if (jump !== undefined) active = Math.max(0, Math.min(order.length - 1, active + jump));
      const top = active * ROW;
      if (top < box.scrollTop) box.scrollTop = top;
      if (top > box.scrollTop + box.clientHeight - 3 * ROW) box.scrollTop = top - box.clientHeight + 4 * ROW;
      draw(true);
      focusOn(word);
    });
    return {
      show: (rows) => { order = rows; active = Math.min(active, Math.max(order.length - 1, 0)); table.setAttribute("aria-rowcount", order.length + 1); draw(true); },
      mark: () => draw(true),
      order: () => order,
    };
  };
  return { make };
})();
