// Hover and keys for a still picture: every mark of it carries its words in aria-label.
"use strict";
for (const plot of document.querySelectorAll("figure.picture > div[role=img]")) {
  const svg = plot.querySelector("svg");
  const marks = [...plot.querySelectorAll("path[aria-label]")].filter((m) => m.getAttribute("aria-label").includes(","));
  if (!svg || !marks.length) continue;
  const runs = marks.filter((m) => m.getAttribute("aria-label").startsWith("run mean"));
  const note = document.createElement("div");
  note.className = "told";
  note.hidden = true;
  note.setAttribute("role", "status");
  plot.parentElement.append(note);
  plot.tabIndex = 0;
  let shown = null;
  const middle = (mark) => {
    const box = mark.getBoundingClientRect();
    return [box.left + box.width / 2, box.top + box.height / 2];
  };
  const show = (mark) => {
    if (shown) shown.removeAttribute("data-shown");
    shown = mark;
    note.hidden = !mark;
    if (!mark) return;
    mark.setAttribute("data-shown", "");
    note.textContent = mark.getAttribute("aria-label");
    const [x, y] = middle(mark);
    const home = plot.parentElement.getBoundingClientRect();
    note.style.top = `${y - home.top + 14}px`;
    note.style.left = `${Math.max(0, Math.min(x - home.left + 10, home.width - note.offsetWidth - 4))}px`;
  };
  plot.addEventListener("pointermove", (event) => {
    let best = null, least = 16 * 16;
    for (const mark of marks) {
      const [x, y] = middle(mark);
      const away = (x - event.clientX) ** 2 + (y - event.clientY) ** 2 - (runs.includes(mark) ? 9 : 0);
      if (away < least) { least = away; best = mark; }
    }
    if (best !== shown) show(best);
  });
  plot.addEventListener("pointerleave", () => show(null));
  plot.addEventListener("blur", () => show(null));
  plot.addEventListener("keydown", (event) => {
    const steps = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 };
    const among = runs.length ? runs : marks;
    if (event.key === "Escape") show(null);
    if (!(event.key in steps)) return;
    const order = [...among].sort((a, b) => middle(a)[0] - middle(b)[0]);
    const at = order.indexOf(shown);
    show(order[(at < 0 ? (steps[event.key] > 0 ? 0 : -1 + order.length) : at + steps[event.key] + order.length) % order.length]);
    event.preventDefault();
  });
}
