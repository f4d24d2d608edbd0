// What paper cannot do: the values of all channels at a moment, channels out of sight, and the chart from nearer. The
// chart itself is drawn: from near the same drawing is looked at through a smaller window, its words moved along.
"use strict";
(() => {
  const figure = document.getElementById("chart");
  if (!figure) return;
  const data = JSON.parse(document.getElementById("chart-data").textContent);
  // a letter is a step from the value before, in units of the last decimal told (see packed_values.py)
  const unpacked = (text, decimals) => {
    let whole = 0;
    return (text.match(/[A-Za-z.]|[+-]\d+/g) ?? []).map((step) => {
      if (step === ".") return null;
      whole += step.length > 1 ? Number(step) : step >= "a" ? step.charCodeAt(0) - 97 : 64 - step.charCodeAt(0);
      return whole / 10 ** decimals;
    });
  };
  let ms = 0;
  data.t_s = unpacked(data.t_ms, 0).map((step) => (ms += step) / 1000);
  for (const line of data.lines) {
    if (typeof line.values === "string") line.values = unpacked(line.values, line.decimals);
  }
  const last = data.t_s.length - 1;
  const slider = document.getElementById("chart-moment");
  const clock = document.getElementById("chart-time");
  const away = document.getElementById("chart-hidden");
  const plot = figure.querySelector(".plot");
  const fields = [...plot.querySelectorAll(".panel .field")];
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

  const ahead = (t) => {
    let seconds = 0;
    for (const [from, offset] of data.offsets) if (t >= from) seconds = offset;
    return seconds;
  };
  const local = (t) => {
    const text = new Date(Date.parse(data.started) + (t + ahead(t)) * 1000).toISOString();
    return `${text.slice(0, 10)} ${text.slice(11, 19)}`;
  };

  const elapsed = (t) => `${Math.floor(t / 3600)} h ${String(Math.floor(t / 60) % 60).padStart(2, "0")} min`;

  // share of a panel's whole height, from its top; and the value at a share
  const share = (panel, value) => {
    const p = data.panels[panel];
    const f = p.log ? Math.log10 : (v) => v;
    return Math.min(Math.max((f(p.high) - f(value)) / (f(p.high) - f(p.low)), 0), 1);
  };
  const valueAt = (panel, y) => {
    const p = data.panels[panel];
    return p.log ? p.high * (p.low / p.high) ** y : p.high + (p.low - p.high) * y;
  };

  const nearestMoment = (t) => {
    let a = 0, b = last;
    while (a < b) {
      const middle = (a + b) >> 1;
      if (data.t_s[middle] < t) a = middle + 1; else b = middle;
    }
    return a > 0 && t - data.t_s[a - 1] < data.t_s[a] - t ? a - 1 : a;
  };

  // ---- nearer: windows in shares of the whole run and of each panel's whole height
  const WHOLE = () => ({ from: 0, to: 1, heights: fields.map(() => [0, 1]) });
  const LEAST = 1 / 400;
  let seen = WHOLE();
  const placed = new Map();  // words and their own places, in shares
  const number = (text) => (text.endsWith("%") ? parseFloat(text) / 100 : null);
  const strips = [...plot.querySelectorAll(".strip .field, .lanes .field, .clock .field")];
  for (const field of [...fields, ...strips]) {
    const panel = fields.indexOf(field);
    for (const e of field.querySelectorAll(":scope > span, .lane > .bar, .ends > span")) {
      if (e.matches(".cursor, .dot")) continue;
      const s = e.style;
      placed.set(e, { panel, left: number(s.left), right: number(s.right), top: number(s.top), width: number(s.width) });
    }
  }
  const made = [];
  let shown = -1;  // the moment that is told
  const whole = () => seen.from === 0 && seen.to === 1 && seen.heights.every(([a, b]) => a === 0 && b === 1);
  const across = (x) => (x - seen.from) / (seen.to - seen.from);
  const down = (panel, y) => (y - seen.heights[panel][0]) / (seen.heights[panel][1] - seen.heights[panel][0]);

  const label = (field, class_, words, style) => {
    const e = document.createElement("span");
    e.className = class_;
    for (const [k, line] of words.split("\n").entries()) {
      if (k) e.append(document.createElement("br"));
      e.append(line);
    }
    Object.assign(e.style, style);
    field.append(e);
    made.push(e);
  };
  const STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 14400, 21600, 43200, 86400];

  const draw = () => {
    for (const e of made.splice(0)) e.remove();
    const near = !whole();
    plot.classList.toggle("zoomed", near);
    fields.forEach((field, panel) => {
      const box = field.querySelector(".draw").viewBox.baseVal;
      const [top, bottom] = seen.heights[panel];
      [box.x, box.y, box.width, box.height] = [16000 * seen.from, 8000 * top, 16000 * (seen.to - seen.from), 8000 * (bottom - top)];
      const ends = field.querySelector(".ends");
      if (ends) ends.hidden = near;
    });
    for (const [e, at] of placed) {
      const s = e.style;
      const axis = e.matches(".x, .y");
      let gone = axis && near;
      if (at.left !== null && !axis) {
        const a = across(at.left), b = at.width === null ? a : across(at.left + at.width);
        s.left = `${Math.max(a, 0) * 100}%`;
        if (at.width !== null) s.width = `${(Math.min(b, 1) - Math.max(a, 0)) * 100}%`;
        gone ||= b < 0 || a > 1;
        if (e.matches(".bound") && a < 0) gone = false;  // a limit holds for what follows
      }
      if (at.right !== null && !axis) {
        const a = across(1 - at.right);
        s.right = `${(1 - a) * 100}%`;
        gone ||= a < 0 || a > 1;
      }
      if (at.top !== null && at.panel >= 0 && !axis) {
        const y = down(at.panel, at.top);
        s.top = `${y * 100}%`;
        gone ||= y < 0 || y > 0.97;
      }
      e.classList.toggle("gone", gone);
    }
    if (shown >= 0) show(shown, -1, 0);
    if (!near) return;
    fields.forEach((field, panel) => {
      const high = valueAt(panel, seen.heights[panel][0]), low = valueAt(panel, seen.heights[panel][1]);
      const raw = (high - low) / 6, power = 10 ** Math.floor(Math.log10(raw));
      const step = [1, 2, 5, 10].map((m) => m * power).find((x) => x >= raw);
      const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
      for (let v = Math.ceil(low / step) * step; v <= high + step * 1e-6; v += step) {
        const y = down(panel, share(panel, v));
        if (y >= 0 && y <= 1) label(field, "y", data.panels[panel].log ? v.toPrecision(2) : v.toFixed(digits), { top: `${y * 100}%` });
      }
    });
    const field = plot.querySelector(".clock .field");
    const from = seen.from * data.seconds, to = seen.to * data.seconds;
    const most = Math.max(2, Math.min(8, Math.floor(field.clientWidth / 75)));
    const step = STEPS.find((x) => (to - from) / x <= most) ?? 86400;
    const zero = ahead(from) + Date.parse(data.started) / 1000;
    let day = "";
    for (let t = Math.ceil((from + zero) / step) * step - zero; t <= to; t += step) {
      const [date, time] = local(t).split(" ");
      label(field, "x", step < 60 ? time : time.slice(0, 5), { left: `${across(t / data.seconds) * 100}%` });
      if (date !== day) made.at(-1).append(document.createElement("br"), date);
      day = date;
    }
  };

  const limited = (a, b) => {
    const wide = Math.min(Math.max(b - a, LEAST), 1);
    const from = Math.min(Math.max(a, 0), 1 - wide);
    return [from, from + wide];
  };
  const look = (from, to, panel, heights) => {
    [seen.from, seen.to] = limited(from, to);
    if (panel >= 0 && heights) seen.heights[panel] = limited(...heights);
    draw();
  };
  const scaled = ([a, b], times, middle) => [middle - (middle - a) * times, middle + (b - middle) * times];
  const nearer = (times, x = 0.5, panel = -1, y = 0.5) => {
    const t = seen.from + x * (seen.to - seen.from);
    const [a, b] = panel >= 0 ? seen.heights[panel] : [0, 1];
    look(...scaled([seen.from, seen.to], times, t), panel, scaled([a, b], times, a + y * (b - a)));
  };
  const move = (dx, dy = 0, panel = 0) => {
    const wide = seen.to - seen.from, [a, b] = seen.heights[panel];
    look(seen.from + dx * wide, seen.to + dx * wide, panel, [a + dy * (b - a), b + dy * (b - a)]);
  };
  const reset = () => { seen = WHOLE(); draw(); };

  const STEP = {
    in: () => nearer(0.5), out: () => nearer(2), left: () => move(-0.25), right: () => move(0.25), whole: reset,
  };
  for (const button of figure.querySelectorAll("button[data-zoom]")) {
    button.addEventListener("click", STEP[button.dataset.zoom]);
  }
  plot.tabIndex = 0;
  plot.addEventListener("keydown", (event) => {
    const act = {
      "+": STEP.in, "=": STEP.in, "-": STEP.out, ArrowLeft: STEP.left, ArrowRight: STEP.right,
      ArrowUp: () => move(0, -0.25), ArrowDown: () => move(0, 0.25), 0: reset, Home: reset, Escape: reset,
    }[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    if (whole() && /^Arrow(Up|Down)$/.test(event.key)) return;  // the page scrolls
    act();
    event.preventDefault();
  });

  // ---- values at a moment
  let close = -1;
  const show = (k, panel, height) => {
    shown = k;
    const t = data.t_s[k];
    const x = across(data.seconds > 0 ? t / data.seconds : 0);
    const left = `${x * 100}%`;
    for (const c of cursors) { c.hidden = x < 0 || x > 1; c.style.left = left; }
    let best = Infinity, found = -1;
    data.lines.forEach((line, i) => {
      const value = line.values[k];
      now[i].textContent = told(line, value);
      if (line.panel !== panel || value === null || !ticks[i].checked) return;
      const away = Math.abs(down(panel, share(panel, value)) - height);
      if (away < best) { best = away; found = i; }
    });
    if (close !== found && close >= 0) keys[close].classList.remove("nearest");
    dots.forEach((d) => { d.hidden = true; });
    if (found >= 0) {
      keys[found].classList.add("nearest");
      const y = down(panel, share(panel, data.lines[found].values[k]));
      const dot = dots[panel];
      dot.hidden = y < 0 || y > 1;
      dot.style.left = left;
      dot.style.top = `${y * 100}%`;
    }
    close = found;
    const at = `${local(t)}, ${elapsed(t)} after the start`;
    clock.textContent = found < 0 ? at : `${at}: ${data.lines[found].name} ${told(data.lines[found], data.lines[found].values[k])}`;
    slider.value = k;
    slider.setAttribute("aria-valuetext", at);
  };

  // where a pointer is: shares of what is seen
  const where = (event) => {
    const first = fields[0].getBoundingClientRect();
    const x = (event.clientX - first.left) / first.width;
    let panel = -1, y = 0;
    fields.forEach((f, i) => {
      const box = f.getBoundingClientRect();
      if (event.clientY >= box.top && event.clientY <= box.bottom) { panel = i; y = (event.clientY - box.top) / box.height; }
    });
    return { x, y, panel, inside: x > -8 / first.width && x < 1 + 8 / first.width, wide: first.width };
  };
  const held = (v) => Math.min(Math.max(v, 0), 1);

  const down_at = new Map();  // pointers that are held down, where each began
  let frame = null, apart = 0;
  const clear = () => { frame?.remove(); frame = null; };
  plot.addEventListener("pointerdown", (event) => {
    const at = where(event);
    if (!at.inside || event.button > 1) return;
    plot.setPointerCapture(event.pointerId);
    down_at.set(event.pointerId, { at, now: at, seen: structuredClone(seen), moves: event.shiftKey || event.button === 1 || (event.pointerType === "touch" && !whole()) });
    if (down_at.size === 2) { clear(); const [a, b] = [...down_at.values()]; apart = Math.abs(a.now.x - b.now.x); }
  });
  plot.addEventListener("pointermove", (event) => {
    const at = where(event);
    const begun = down_at.get(event.pointerId);
    if (!begun) {
      if (at.inside) show(nearestMoment((seen.from + held(at.x) * (seen.to - seen.from)) * data.seconds), at.panel, at.y);
      return;
    }
    begun.now = at;
    if (down_at.size === 2) {
      const [a, b] = [...down_at.values()];
      const wide = Math.max(Math.abs(a.now.x - b.now.x), 0.02);
      if (apart > 0) nearer(apart / wide, held((a.now.x + b.now.x) / 2));
      apart = wide;
    } else if (begun.moves) {
      seen = structuredClone(begun.seen);
      move(begun.at.x - at.x, at.panel === begun.at.panel ? begun.at.y - at.y : 0, Math.max(begun.at.panel, 0));
    } else if (Math.abs(at.x - begun.at.x) * at.wide > 6) {
      if (!frame) { frame = document.createElement("span"); frame.className = "chosen"; fields[Math.max(begun.at.panel, 0)].append(frame); }
      const [a, b] = [held(begun.at.x), held(at.x)].sort((p, q) => p - q);
      Object.assign(frame.style, { left: `${a * 100}%`, width: `${(b - a) * 100}%` });
      const high = heights(begun.at, at);
      Object.assign(frame.style, high ? { top: `${high[0] * 100}%`, height: `${(high[1] - high[0]) * 100}%` } : { top: "0", height: "100%" });
    }
  });
  // a stretch that is also marked in height, not just along
  const heights = (a, b) => (a.panel >= 0 && a.panel === b.panel && Math.abs(a.y - b.y) > 0.12 ? [a.y, b.y].sort((p, q) => p - q) : null);
  const up = (event) => {
    const begun = down_at.get(event.pointerId);
    down_at.delete(event.pointerId);
    if (!begun) return;
    const drawn = frame !== null && event.type === "pointerup";
    clear();
    if (!drawn) return;
    const at = begun.now, wide = seen.to - seen.from;
    const [a, b] = [held(begun.at.x), held(at.x)].sort((p, q) => p - q);
    const high = heights(begun.at, at);
    const [top, bottom] = high ? seen.heights[at.panel] : [0, 1];
    look(seen.from + a * wide, seen.from + b * wide, high ? at.panel : -1, high && high.map((y) => top + y * (bottom - top)));
  };
  plot.addEventListener("pointerup", up);
  plot.addEventListener("pointercancel", up);
  plot.addEventListener("dblclick", reset);
  plot.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && !event.metaKey) return;  // the page scrolls
    const at = where(event);
    if (!at.inside) return;
    event.preventDefault();
    nearer(event.deltaY < 0 ? 0.8 : 1.25, held(at.x), at.panel, at.y);
  }, { passive: false });
  slider.addEventListener("input", () => show(Number(slider.value), -1, 0));
  for (const field of figure.querySelectorAll(".hold .field")) {
    field.addEventListener("pointermove", (event) => {
      const box = field.getBoundingClientRect();
      const x = held((event.clientX - box.left) / box.width);
      show(nearestMoment(Number(field.dataset.from) + x * Number(field.dataset.seconds)), -1, 0);
    });
  }
  window.addEventListener("beforeprint", reset);

  const hide = () => {
    const gone = [];
    ticks.forEach((tick, i) => {
      for (const part of figure.querySelectorAll(`[data-line="${i}"]`)) {
        if (part !== tick) part.classList.toggle("off", !tick.checked);
      }
      if (!tick.checked && !data.lines[i].inside) gone.push(data.lines[i].name);
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
