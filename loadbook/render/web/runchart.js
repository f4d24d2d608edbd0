// What paper cannot do: the values of all channels at a moment, and channels out of sight. The chart itself is drawn.
"use strict";
(() => {
  const figure = document.getElementById("chart");
  if (!figure) return;
  const data = JSON.parse(document.getElementById("chart-data").textContent);
  const last = data.t_s.length - 1;
  const slider = document.getElementById("chart-moment");
  const clock = document.getElementById("chart-time");
  const away = document.getElementById("chart-hidden");
  const plot = figure.querySelector(".plot");
  const fields = [...figure.querySelectorAll(".panel .field")];
  const cursors = fields.map((f) => f.querySelector(".cursor"));
  const dots = fields.map((f) => f.querySelector(".dot"));
  const keys = [...figure.querySelectorAll(".switch")];
  const now = keys.map((k) => k.querySelector(".now"));
  const ticks = keys.map((k) => k.querySelector("input"));
  document.documentElement.classList.add("scripted");

  const told = (line, value) => {
    if (value === null) return "no value";
    const figures = line.decimals < 3 ? value.toFixed(line.decimals) : String(value);
    return line.unit ? `${figures} ${line.unit}` : figures;
  };

  const local = (t) => {
    let ahead = 0;
    for (const [from, seconds] of data.offsets) if (t >= from) ahead = seconds;
    const text = new Date(Date.parse(data.started) + (t + ahead) * 1000).toISOString();
    return `${text.slice(0, 10)} ${text.slice(11, 19)}`;
  };

  const elapsed = (t) => `${Math.floor(t / 3600)} h ${String(Math.floor(t / 60) % 60).padStart(2, "0")} min`;

  // share of a panel's height, from its top
  const share = (panel, value) => {
    const p = data.panels[panel];
    const f = p.log ? Math.log10 : (v) => v;
    return Math.min(Math.max((f(p.high) - f(value)) / (f(p.high) - f(p.low)), 0), 1);
  };

  const nearestMoment = (t) => {
    let a = 0, b = last;
    while (a < b) {
      const middle = (a + b) >> 1;
      if (data.t_s[middle] < t) a = middle + 1; else b = middle;
    }
    return a > 0 && t - data.t_s[a - 1] < data.t_s[a] - t ? a - 1 : a;
  };

  let close = -1;
  const show = (k, panel, height) => {
    const t = data.t_s[k];
    const left = `${(data.seconds > 0 ? t / data.seconds : 0) * 100}%`;
    for (const c of cursors) { c.hidden = false; c.style.left = left; }
    let best = Infinity, found = -1;
    data.lines.forEach((line, i) => {
      const value = line.values[k];
      now[i].textContent = told(line, value);
      if (line.panel !== panel || value === null || !ticks[i].checked) return;
      const away = Math.abs(share(panel, value) - height);
      if (away < best) { best = away; found = i; }
    });
    if (close !== found && close >= 0) keys[close].classList.remove("nearest");
    dots.forEach((d) => { d.hidden = true; });
    if (found >= 0) {
      keys[found].classList.add("nearest");
      const dot = dots[panel];
      dot.hidden = false;
      dot.style.left = left;
      dot.style.top = `${share(panel, data.lines[found].values[k]) * 100}%`;
    }
    close = found;
    const at = `${local(t)}, ${elapsed(t)} after the start`;
    clock.textContent = found < 0 ? at : `${at}: ${data.lines[found].name} ${told(data.lines[found], data.lines[found].values[k])}`;
    slider.value = k;
    slider.setAttribute("aria-valuetext", at);
  };

  plot.addEventListener("pointermove", (event) => {
    const first = fields[0].getBoundingClientRect();
    if (event.clientX < first.left - 8 || event.clientX > first.right + 8) return;
    const t = Math.min(Math.max((event.clientX - first.left) / first.width, 0), 1) * data.seconds;
    let panel = -1, height = 0;
    fields.forEach((f, i) => {
      const box = f.getBoundingClientRect();
      if (event.clientY >= box.top && event.clientY <= box.bottom) { panel = i; height = (event.clientY - box.top) / box.height; }
    });
    show(nearestMoment(t), panel, height);
  });
  slider.addEventListener("input", () => show(Number(slider.value), -1, 0));

  const hide = () => {
    const gone = [];
    ticks.forEach((tick, i) => {
      for (const part of figure.querySelectorAll(`[data-line="${i}"]`)) {
        if (part !== tick) part.classList.toggle("off", !tick.checked);
      }
      if (!tick.checked) gone.push(data.lines[i].name);
    });
    away.hidden = gone.length === 0;
    away.textContent = gone.length ? `Out of sight: ${gone.join(", ")}` : "";
  };
  for (const tick of ticks) tick.addEventListener("change", hide);
  for (const button of figure.querySelectorAll("button[data-all]")) {
    button.addEventListener("click", () => {
      for (const tick of ticks) tick.checked = button.dataset.all === "1";
      hide();
    });
  }
  hide();  // a browser that goes back keeps the ticks
})();
