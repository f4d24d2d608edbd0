(() => {
  "use strict";
  const data = JSON.parse(document.getElementById("index-data").textContent);
  const body = document.querySelector("#runs tbody");
  const heads = [...document.querySelectorAll("#runs thead th")].map((h) => h.textContent);
  const count = document.getElementById("count");
  const more = document.getElementById("more");
  const form = document.getElementById("filter");
  const fields = ["words", "customer", "furnace", "verdict", "from", "to"].map((id) => document.getElementById(id));
  const marks = {};
  for (const m of document.querySelectorAll("#marks > [data-word]")) marks[m.dataset.word] = m.firstElementChild;
  const texts = data.runs.map((r) => `${r[0]} ${r[6].map((p) => data.parts[p]).join(" ")}`.toLowerCase());
  let found = [];
  let shown = 0;
  document.documentElement.classList.add("scripted");

  const cell = (name, k, content) => {
    const c = document.createElement(name);
    c.dataset.head = heads[k];
    c.append(content);
    return c;
  };
  const row = (r) => {
    const tr = document.createElement("tr");
    const a = document.createElement("a");
    a.href = r[1] || `run/run-${r[0]}.html`;
    a.textContent = r[0];
    const th = cell("th", 0, a);
    th.scope = "row";
    const names = (list, of) => list.map((k) => of[k]).join(", ");
    const words = [r[2], data.furnaces[r[3]], data.cycles[r[4]], marks[r[5]].cloneNode(true), names(r[6], data.parts),
      names(r[7], data.customers)];
    tr.append(th, ...words.map((w, k) => cell("td", k + 1, w)));
    return tr;
  };
  const grow = () => {
    const next = found.slice(shown, shown + data.shown);
    body.append(...next.map((k) => row(data.runs[k])));
    shown += next.length;
    more.hidden = shown >= found.length;
    const of = found.length === data.runs.length ? "" : ` of ${data.runs.length}`;
    const many = `${found.length}${of} run${found.length === 1 && !of ? "" : "s"}`;
    count.textContent = found.length ? `${many}, newest first${more.hidden ? "" : `: ${shown} shown`}.` : "No run fits.";
  };
  const filter = () => {
    const [words, customer, furnace, verdict, from, to] = fields.map((f) => f.value);
    const asked = words.toLowerCase().split(/\s+/).filter(Boolean);
    const c = data.customers.indexOf(customer);
    const f = data.furnaces.indexOf(furnace);
    found = [];
    data.runs.forEach((r, k) => {
      if (customer && !r[7].includes(c)) return;
      if (furnace && r[3] !== f) return;
      if (verdict && r[5] !== verdict) return;
      if ((from && r[2] < from) || (to && r[2].slice(0, to.length) > to)) return;
      if (asked.every((w) => texts[k].includes(w))) found.push(k);
    });
    shown = 0;
    body.replaceChildren();
    grow();
    const kept = fields.filter((x) => x.value).map((x) => `${x.id}=${encodeURIComponent(x.value)}`).join("&");
    history.replaceState(null, "", kept ? `#${kept}` : location.pathname);
  };
  for (const part of location.hash.slice(1).split("&")) {
    const [id, value] = part.split("=");
    const field = fields.find((x) => x.id === id);
    if (field && value) field.value = decodeURIComponent(value);
  }
  form.addEventListener("input", filter);
  form.addEventListener("submit", (e) => e.preventDefault());
  form.addEventListener("reset", () => setTimeout(filter, 0));
  more.addEventListener("click", grow);
  filter();
})();
